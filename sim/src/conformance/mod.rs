//! Tries every law that a register map and its devices have to keep, on any map, by one call.
//!
//! ```text
//!   Layout  ->  driver's codec  ->  frames  ->  VirtualChain  ->  log, registers, status, replies  ->  Report
//! ```
//!
//! A map that [`validate`](Layout::validate) accepts can still be wrong: a flag that no reply carries, a command that the
//! device refuses in every state, a register wider than the counter behind it. [`check`] lets the driver speak to a virtual
//! chain in all the words that the map has, and compares what comes of it with what the map says.
//!
//! ```
//! use stepchain::{map::RegisterMap, reference::Latched};
//! use stepchain_sim::conformance;
//!
//! let report = conformance::check(&Latched::LAYOUT);
//! assert!(report.is_kept(), "{report}");
//! ```
//!
//! What no check of a map alone can tell is whether it is the map of the chip on the table. An opcode, an address or a scale
//! that is plausible but not the chip's fits itself here as it fits itself everywhere. Two things help against that: the
//! datasheet's own examples as tests, and a capture of the real bus. Nor can it tell a wrong reply timing: a device decodes
//! what comes while it answers either way, so a driver that waits without need, or does not wait, gets the same answers.
//!
//! Like [`run`](crate::run) this uses the driver's codec on the host; the devices that it speaks to do not.

mod codes;
mod locks;
mod motion;
mod replies;
mod report;
mod rig;
mod service;
mod status;
#[cfg(test)]
mod tests;
mod words;

use stepchain::map::Layout;

pub use report::{Law, Report};

use rig::Rig;

/// Tries all laws on a map, with devices that are built by the same map.
///
/// The map is tried on the shortest chain of two devices or more that it can frame. A few kilobytes are leaked with each
/// call, for maps with other addresses and access that are made from this one.
#[must_use]
pub fn check(layout: &'static Layout) -> Report {
    check_against(layout, layout)
}

/// Tries all laws on a map, with devices that are built by another one: what a wrong map would be found by.
pub(crate) fn check_against(map: &'static Layout, device: &'static Layout) -> Report {
    let mut valid = Law::new("the map is valid");
    let rig = match Rig::new(map, device) {
        Ok(rig) => rig,
        Err(flaw) => {
            valid.must(false, || flaw.to_string());
            return Report { map: map.name, laws: vec![valid] };
        }
    };
    valid.must(true, String::new);
    let laws: [fn(&Rig) -> Law; 9] = [
        words::unique,
        words::filler,
        codes::round_trip,
        codes::power_up,
        locks::hold,
        replies::timing,
        status::polarity,
        motion::verbs,
        service::verbs,
    ];
    let tried = laws.iter().map(|law| law(&rig));
    Report { map: map.name, laws: std::iter::once(valid).chain(tried).collect() }
}
