//! What a status word says is wrong, in words: the kind of fault, its cause, what to do, and what clears its flag.
//!
//! A flag is a bit; a [`Fault`] is what a person or a supervising task acts on. [`faults`] picks them out of a
//! [`Status`], warnings before what they warn of. It reads one status and remembers nothing: whether a fault is news
//! is the caller's business.

use core::fmt;

use crate::map::{Clearing, Flag, Holding};
use crate::reply::Status;

/// Whether operation goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Severity {
    /// It goes on; something wants attention.
    Warning,
    /// One command was not carried out; the device is well.
    Refusal,
    /// It has ended, or the position can no longer be trusted.
    Fault,
}

/// What is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum FaultKind {
    /// The device is hot and goes on.
    OvertemperatureWarning,
    /// Something that the device does not tell apart; it goes on.
    Warning,
    /// A limit altered the command.
    InternalLimitActive,
    /// A command was malformed or not allowed when it came.
    CommandRejected,
    /// A command was none that the device knows.
    CommandUnknown,
    /// A word came with a wrong check.
    CrcMismatch,
    /// The rotor no longer follows, seen on winding A.
    StallA,
    /// The rotor no longer follows, seen on winding B.
    StallB,
    /// The supply is, or was, too low.
    Undervoltage,
    /// A current was too high.
    Overcurrent,
    /// The device was too hot and has shut its bridges off.
    Overtemperature,
    /// The device has started anew.
    ResetOccurred,
    /// Something that the device does not tell apart; operation has ended.
    Fault,
}

impl FaultKind {
    /// Every kind, the milder first.
    pub const ALL: [Self; 13] = [
        Self::OvertemperatureWarning,
        Self::Warning,
        Self::InternalLimitActive,
        Self::CommandRejected,
        Self::CommandUnknown,
        Self::CrcMismatch,
        Self::StallA,
        Self::StallB,
        Self::Undervoltage,
        Self::Overcurrent,
        Self::Overtemperature,
        Self::ResetOccurred,
        Self::Fault,
    ];

    /// The flag that tells of it.
    #[must_use]
    pub const fn flag(self) -> Flag {
        match self {
            Self::OvertemperatureWarning => Flag::OvertemperatureWarning,
            Self::Warning => Flag::Warning,
            Self::InternalLimitActive => Flag::InternalLimitActive,
            Self::CommandRejected => Flag::CommandRejected,
            Self::CommandUnknown => Flag::CommandUnknown,
            Self::CrcMismatch => Flag::CrcMismatch,
            Self::StallA => Flag::StallA,
            Self::StallB => Flag::StallB,
            Self::Undervoltage => Flag::Undervoltage,
            Self::Overcurrent => Flag::Overcurrent,
            Self::Overtemperature => Flag::Overtemperature,
            Self::ResetOccurred => Flag::ResetOccurred,
            Self::Fault => Flag::Fault,
        }
    }

    /// Whether operation goes on.
    #[must_use]
    pub const fn severity(self) -> Severity {
        match self {
            Self::OvertemperatureWarning | Self::Warning | Self::InternalLimitActive => Severity::Warning,
            Self::CommandRejected | Self::CommandUnknown | Self::CrcMismatch => Severity::Refusal,
            Self::StallA
            | Self::StallB
            | Self::Undervoltage
            | Self::Overcurrent
            | Self::Overtemperature
            | Self::ResetOccurred
            | Self::Fault => Severity::Fault,
        }
    }

    /// Whether the rotor may be elsewhere than the counter says.
    #[must_use]
    pub const fn casts_doubt_on_position(self) -> bool {
        matches!(self.severity(), Severity::Fault)
    }

    /// What brings it about.
    #[must_use]
    pub const fn cause(self) -> &'static str {
        match self {
            Self::OvertemperatureWarning => {
                "the device is hot: the load, the amplitude or the surroundings ask too much"
            }
            Self::Warning => "the device reports a condition that it does not tell apart",
            Self::InternalLimitActive => "the command asked for more than a limit allows",
            Self::CommandRejected => "the command was malformed or not allowed in the device's state",
            Self::CommandUnknown => {
                "the device knows no such command: noise on the bus, or the map is another device's"
            }
            Self::CrcMismatch => "bits of a word were changed on the bus",
            Self::StallA | Self::StallB => {
                "the rotor is blocked or overloaded, or the amplitude is too low for the speed"
            }
            Self::Undervoltage => "the supply is too weak, its wiring too long, or it was switched off",
            Self::Overcurrent => "a winding or its wiring is shorted, or the amplitude is too high for the motor",
            Self::Overtemperature => "the warning was not heeded: the device has shut its bridges off",
            Self::ResetOccurred => "the device lost its supply or was told to start anew",
            Self::Fault => "the device reports a failure that it does not tell apart",
        }
    }

    /// What to do about it.
    #[must_use]
    pub const fn remedy(self) -> &'static str {
        match self {
            Self::OvertemperatureWarning => "lower the amplitudes or the load, or pause, before it shuts off",
            Self::Warning | Self::InternalLimitActive => "look into the device's datasheet and the last command",
            Self::CommandRejected => "wait for standstill or change the bridge's state, then send it again",
            Self::CommandUnknown => "check the wiring, the SPI mode and the map, then send it again",
            Self::CrcMismatch => "send it again; if it comes back, slow the clock or shorten the wires",
            Self::StallA | Self::StallB => "stop, clear the way, lower speed or acceleration, and home again",
            Self::Undervoltage => "mend the supply, take the status, and home again",
            Self::Overcurrent => "switch off and look for a short before the fault is reset; then home again",
            Self::Overtemperature => "let it cool, lower the load, reset the fault, and home again",
            Self::ResetOccurred => "take the status, apply the settings anew, and home again",
            Self::Fault => "look into the device's datasheet, reset the fault, and home again",
        }
    }
}

/// Something wrong with one axis of one device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Fault {
    /// What is wrong.
    pub kind: FaultKind,
    /// The axis, 0 for what concerns the whole device.
    pub axis: u8,
    /// Whether it is so now or was so at some time, and then what clears its flag.
    pub holding: Holding,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = self.kind.flag().name();
        let since = match self.holding {
            Holding::Live => "now",
            Holding::LatchedUntil(Clearing::TakeStatus) => "since the status was last taken",
            Holding::LatchedUntil(Clearing::FaultReset) => "since the last fault reset",
        };
        write!(f, "axis {}: {name}, {since}: {}; {}", self.axis, self.kind.cause(), self.kind.remedy())
    }
}

impl core::error::Error for Fault {}

/// What a status says is wrong, the milder first.
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// # let exchange = |mosi: [u8; 2], miso: [u8; 2]| [
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
/// #     Transaction::transaction_end(),
/// # ];
/// # let spi = Mock::new(&[exchange([0xE0, 0x00], [0; 2]), exchange([0x7E; 2], [0xA8, 0x01])].concat());
/// use stepchain::fault::{self, FaultKind};
/// use stepchain::reference::Latched;
/// use stepchain::{Chain, Command};
///
/// let mut chain = Chain::<Latched, _, 1>::new(spi);
/// let status = chain.send_one(0, Command::PeekStatus)?.status.unwrap();
/// let kinds: Vec<_> = fault::faults(&status).map(|fault| fault.kind).collect();
/// assert_eq!(kinds, [FaultKind::OvertemperatureWarning, FaultKind::Overcurrent]);
/// # chain.release().done();
/// # Ok::<(), stepchain::Error<embedded_hal::spi::ErrorKind>>(())
/// ```
pub fn faults(status: &Status) -> impl Iterator<Item = Fault> + '_ {
    FaultKind::ALL.into_iter().flat_map(move |kind| {
        let raised = status.raised_flags().filter(move |bit| bit.flag == kind.flag());
        raised.map(move |bit| Fault { kind, axis: bit.axis, holding: bit.holding })
    })
}

#[cfg(all(test, feature = "reference-maps"))]
mod tests {
    extern crate std;
    use std::string::ToString;
    use std::vec::Vec;

    use super::*;
    use crate::map::{RegisterMap, StatusLayout};
    use crate::reference::FixedWord;

    static STATUS: StatusLayout = FixedWord::LAYOUT.status;

    fn status(word: u64) -> Status {
        Status::new(word, 0xFF_FFFF, &STATUS)
    }

    /// By the map: bit 14 overcurrent (until a fault reset), 15 overtemperature warning (live), 3 rejected.
    #[test]
    fn faults_come_with_axis_holding_and_words_the_milder_first() {
        let found: Vec<_> = faults(&status(1 << 14 | 1 << 15 | 1 << 3)).collect();
        let kinds: Vec<_> = found.iter().map(|fault| (fault.kind, fault.kind.severity())).collect();
        assert_eq!(
            kinds,
            [
                (FaultKind::OvertemperatureWarning, Severity::Warning),
                (FaultKind::CommandRejected, Severity::Refusal),
                (FaultKind::Overcurrent, Severity::Fault),
            ]
        );
        assert_eq!(found[0].holding, Holding::Live);
        assert_eq!(found[2].holding, Holding::LatchedUntil(Clearing::FaultReset));
        let text = found[2].to_string();
        assert!(text.starts_with("axis 0: overcurrent, since the last fault reset: a winding"), "{text}");
    }

    #[test]
    fn only_what_ends_operation_casts_doubt_on_the_position() {
        let doubtful: Vec<_> = FaultKind::ALL.into_iter().filter(|kind| kind.casts_doubt_on_position()).collect();
        assert_eq!(
            doubtful,
            [
                FaultKind::StallA,
                FaultKind::StallB,
                FaultKind::Undervoltage,
                FaultKind::Overcurrent,
                FaultKind::Overtemperature,
                FaultKind::ResetOccurred,
                FaultKind::Fault,
            ]
        );
    }

    #[test]
    fn a_device_that_is_well_has_no_faults() {
        // Busy, target reached, moving up, home switch closed.
        assert_eq!(faults(&status(0b101_0000_0011)).next(), None);
    }

    #[test]
    fn what_a_reply_did_not_carry_is_not_told() {
        assert_eq!(faults(&Status::new(1 << 14, 0xFF, &STATUS)).next(), None);
    }

    #[test]
    fn every_kind_has_a_flag_of_its_own_in_rising_severity() {
        let flags: Vec<_> = FaultKind::ALL.iter().map(|kind| kind.flag().name()).collect();
        let mut unlike = flags.clone();
        unlike.dedup();
        assert_eq!(flags, unlike);
        assert!(FaultKind::ALL.is_sorted_by_key(|kind| kind.severity()));
    }
}
