//! Driver for daisy chains of smart stepper drivers on SPI: any chip whose registers a map describes.
//!
//! A smart stepper driver holds the whole motion controller; the firmware writes a few parameters, says "go there",
//! and several such devices hang on one chip select, data in to data out. This crate turns physical intent into
//! the frames of such a chain and its replies back into physical values. It allocates nothing, uses no floats and no
//! `unsafe`, and does not panic.
//!
//! ```text
//!   Settings, Mechanism,     what a product needs          settings, mechanism, plan, homing, track, fault,
//!   Homing, Tracker, ...                                   mailbox, recorder, wiring, release
//!        v   ^
//!   Command, Value           physical units                command, units, reply
//!        v   ^
//!   codes                    a map's encodings             map
//!        v   ^
//!   units of one device      bits                          wire
//!        v   ^
//!   frames of N devices      bytes                         chain (Codec, Talk, Procedure: no I/O)
//!        v   ^
//!   SpiDevice                embedded-hal                  chain (Chain, AsyncChain)
//! ```
//!
//! | to | look at |
//! | --- | --- |
//! | describe a chip | [`map`], [`check_map!`] |
//! | command a chain | [`Chain`], [`Command`] |
//! | configure it by one value, and store that | [`settings`] |
//! | speak in turns, degrees or millimetres | [`mechanism`] |
//! | find home, many axes at once | [`homing`] |
//! | know how long a move takes; move on a straight line | [`plan`] |
//! | know where an axis is, and send nothing that leads beyond its limits | [`track`], [`track::GuardedChain`] |
//! | know what is wrong and what to do | [`fault`] |
//! | know how a refused command is noticed | [`Chain::send`], [`chain::RefusalNotice`] |
//! | be sure that a command was understood, on a noisy bus | [`chain::verified`] |
//! | count the devices and check their wiring | [`wiring`] |
//! | let every bridge go from a panic handler | [`release`] |
//! | keep the last frames for a look later | [`recorder`] |
//! | have a core without I/O of your own front | [`Codec`], [`chain::Procedure`] |
//!
//! Several axes in one device are commanded by [`Command::on`].
//!
//! # Unlike devices in one chain
//!
//! Devices of different maps can share one chain if they share the wire form: units of one width, one SPI mode, one bit
//! order, one framing. A type that implements [`ChainMap`](map::ChainMap) names the layout of each, and stands where else
//! the one map of all stands: `Chain::<Machine, _, 3>`. Maps of unlike wire form do not compile there, and at run time
//! [`Codec::for_devices`] refuses them, with what differs and at which device ([`ChainFlaw`](map::ChainFlaw)).
//! [`map::Devices`] has an example, and says what is combined and what is each device's own.
//!
//! | on such a chain | |
//! | --- | --- |
//! | `exchange`, `send`, `send_one`, both fronts | each command encoded, filled in for and answered by its device's map |
//! | `send_all` | where every map has the command; else refused, with the first device that has not |
//! | `send_verified`, `send_guarded`, the mailbox | as ever; each device tells what its map lets it |
//! | [`settings`] | [`Apply::new`](settings::Apply::new) with `DEVICES`: to one device, or to each that has the parameters |
//! | [`homing`], [`UntilStill`](chain::UntilStill) | [`Homing::new`] with `DEVICES`, [`UntilStill::of`](chain::UntilStill::of) |
//! | [`track`], [`plan`], [`mechanism`] | of one axis each, with the layout of its device |
//! | [`release`] | as ever, if every map has the stop |
//! | [`Chain::check_wiring`] | counts, and asks each device by its map; of two in each other's place see [`wiring`] |
//! | [`wiring::discover`] | not: it counts like devices. A chain of unlike ones is as long as its list |
//!
//! A chain whose `M` is one map, and which has other devices in it, is told by [`Chain::check_wiring`], by a typed error:
//! [`wiring::WiringError::NotWholeUnits`] or [`WrongCount`](wiring::WiringError::WrongCount) where units differ in length,
//! and [`Reply`](wiring::WiringError::Reply) where a device's status has a wrong check or bits that the map says can never
//! be so. A foreign device with units of the same length and a status without either is not noticed.
//!
//! # Features
//!
//! | feature | adds |
//! | --- | --- |
//! | `async` | `AsyncChain`, and `pump_async` of the mailbox: the same on embedded-hal-async |
//! | `defmt` | `defmt::Format` on every public type; nothing is logged |
//! | `mailbox` | `mailbox`: commands from interrupts to the one owner of the chain, and a latch for a fault pin |
//! | `reference-maps` | `reference`: two register maps of the project's own invention |
//!
//! # Three axes
//!
//! ```
//! # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
//! # fn frame(mosi: [u8; 6]) -> [Transaction<u8>; 3] {
//! #     let exchange = Transaction::transfer_in_place(mosi.to_vec(), vec![0; 6]);
//! #     [Transaction::transaction_start(), exchange, Transaction::transaction_end()]
//! # }
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use stepchain::map::{BridgeState, StopRamp};
//! use stepchain::reference::Latched;
//! use stepchain::units::{Distance, Velocity};
//! use stepchain::{Chain, Command};
//!
//! # let first = frame([0x7E, 0x7E, 0x68, 0x00, 0xB4, 0x00]);
//! # let second = frame([0x3A, 0x18, 0x0C, 0x80, 0x13, 0x88]);
//! # let spi = Mock::new(&[first, second, frame([0xE0, 0, 0xE0, 0, 0xE0, 0]), frame([0x7E; 6])].concat());
//! let mut chain = Chain::<Latched, _, 3>::new(spi);
//! // One call, one chip-select edge: all three begin together. Then a look at whether a device has refused.
//! chain.send(&[
//!     Command::MoveVelocity { velocity: Velocity::from_steps_per_s(100)? },
//!     Command::MoveRelative { distance: Distance::from_microsteps(3200) },
//!     Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven },
//! ])?;
//! # chain.release().done();
//! # Ok(())
//! # }
//! ```
//!
//! # Cautions
//!
//! Motors pinch, loads drop when a bridge lets go, drivers and motors get hot. An emergency stop belongs in hardware.
//! Nothing in this crate is a safety function; local codes and qualified people decide what a machine needs.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

pub mod chain;
pub mod command;
pub mod fault;
#[cfg(feature = "defmt")]
mod format;
pub mod homing;
#[cfg(feature = "mailbox")]
pub mod mailbox;
pub mod map;
pub mod mechanism;
pub mod plan;
pub mod recorder;
#[cfg(feature = "reference-maps")]
pub mod reference;
pub mod release;
pub mod reply;
pub mod settings;
pub mod table;
pub mod track;
pub mod units;
mod wire;
pub mod wiring;

#[cfg(feature = "async")]
pub use chain::AsyncChain;
pub use chain::{BeginError, Chain, Codec, Error, Pending, Talk};
pub use command::{AxisCommand, Command, CommandError};
pub use fault::{Fault, FaultKind};
pub use homing::Homing;
#[cfg(feature = "mailbox")]
pub use mailbox::Mailbox;
pub use mechanism::Mechanism;
pub use plan::{Coordinated, Move, Ramp};
pub use recorder::Recorder;
pub use reply::{Reply, ReplyError, Status};
pub use track::{PositionLimits, Tracker, UnwrappedPosition, Watch};

/// Checks a [`RegisterMap`](map::RegisterMap) when it is compiled, by `cargo check` and by editors too.
///
/// A flawed map does not compile, and the message names the culprit.
#[macro_export]
macro_rules! check_map {
    ($map:ty) => {
        const _: () = <$map as $crate::map::RegisterMap>::LAYOUT.assert_valid();
    };
}
