//! The status word: which flag stands at which bit, what its level means, and what clears it.

use super::register::BitField;
use super::vocabulary::MotionState;

/// What a status bit tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Flag {
    /// A motion command is being carried out.
    Busy,
    /// The last command has arrived.
    TargetReached,
    /// A limit altered the command.
    InternalLimitActive,
    /// A lasting failure ended operation.
    Fault,
    /// Something is wrong, operation goes on.
    Warning,
    /// A current above the overcurrent limit.
    Overcurrent,
    /// The supply is below its minimum.
    Undervoltage,
    /// The device is hot; it goes on.
    OvertemperatureWarning,
    /// The device was too hot and has shut its bridges off.
    Overtemperature,
    /// The rotor no longer follows, seen on winding A.
    StallA,
    /// The rotor no longer follows, seen on winding B.
    StallB,
    /// A command was malformed, or not allowed when it came.
    CommandRejected,
    /// A command was not one that the device knows.
    CommandUnknown,
    /// A word came with a wrong check.
    CrcMismatch,
    /// The device has started anew: every register is at its reset code, the position means nothing.
    ResetOccurred,
    /// The home switch input is closed.
    HomeSwitch,
    /// The home switch has closed since this was last cleared.
    SwitchEvent,
    /// The bridges are in high impedance.
    BridgeOff,
    /// The last motion counted the position up.
    PositiveDirection,
}

impl Flag {
    /// Every flag, in the order of the declaration.
    pub const ALL: &'static [Self] = &[
        Self::Busy,
        Self::TargetReached,
        Self::InternalLimitActive,
        Self::Fault,
        Self::Warning,
        Self::Overcurrent,
        Self::Undervoltage,
        Self::OvertemperatureWarning,
        Self::Overtemperature,
        Self::StallA,
        Self::StallB,
        Self::CommandRejected,
        Self::CommandUnknown,
        Self::CrcMismatch,
        Self::ResetOccurred,
        Self::HomeSwitch,
        Self::SwitchEvent,
        Self::BridgeOff,
        Self::PositiveDirection,
    ];

    /// The flag's name in documents, messages and map files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Busy => "busy",
            Self::TargetReached => "target reached",
            Self::InternalLimitActive => "internal limit active",
            Self::Fault => "fault",
            Self::Warning => "warning",
            Self::Overcurrent => "overcurrent",
            Self::Undervoltage => "undervoltage",
            Self::OvertemperatureWarning => "overtemperature warning",
            Self::Overtemperature => "overtemperature",
            Self::StallA => "stall on winding A",
            Self::StallB => "stall on winding B",
            Self::CommandRejected => "command rejected",
            Self::CommandUnknown => "command unknown",
            Self::CrcMismatch => "CRC mismatch",
            Self::ResetOccurred => "reset occurred",
            Self::HomeSwitch => "home switch",
            Self::SwitchEvent => "switch event",
            Self::BridgeOff => "bridge off",
            Self::PositiveDirection => "positive direction",
        }
    }
}

/// Which level of a bit means that the flag is raised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Polarity {
    /// A one.
    ActiveHigh,
    /// A zero.
    ActiveLow,
}

/// What lets a latched flag fall again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Clearing {
    /// Taking the status ([`Verb::TakeStatus`](super::Verb::TakeStatus)).
    TakeStatus,
    /// A fault reset command.
    FaultReset,
}

/// Whether a flag shows the present or remembers the past.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Holding {
    /// The flag shows what is so now.
    Live,
    /// Once raised, the flag stays until it is cleared.
    LatchedUntil(Clearing),
}

/// One flag of the status word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct StatusBit {
    /// What it tells.
    pub flag: Flag,
    /// Its place in the status word, 0 for the least significant bit.
    pub bit: u8,
    /// The axis that it speaks of.
    pub axis: u8,
    /// The level that means raised.
    pub polarity: Polarity,
    /// Whether it remembers.
    pub holding: Holding,
}

impl StatusBit {
    /// A flag that shows the present, raised when the bit is one.
    #[must_use]
    pub const fn live(flag: Flag, bit: u8) -> Self {
        Self { flag, bit, axis: 0, polarity: Polarity::ActiveHigh, holding: Holding::Live }
    }

    /// A flag that stays raised until the status is taken.
    #[must_use]
    pub const fn latched(flag: Flag, bit: u8) -> Self {
        Self {
            flag,
            bit,
            axis: 0,
            polarity: Polarity::ActiveHigh,
            holding: Holding::LatchedUntil(Clearing::TakeStatus),
        }
    }

    /// The same, raised when the bit is zero.
    #[must_use]
    pub const fn active_low(mut self) -> Self {
        self.polarity = Polarity::ActiveLow;
        self
    }

    /// The same, latched until something else clears it.
    #[must_use]
    pub const fn cleared_by(mut self, clearing: Clearing) -> Self {
        self.holding = Holding::LatchedUntil(clearing);
        self
    }

    /// The same for another axis of the device.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self
    }

    /// Whether the flag is raised in this status word.
    #[must_use]
    pub const fn is_raised(&self, word: u64) -> bool {
        let high = match word.checked_shr(self.bit as u32) {
            Some(shifted) => shifted & 1 == 1,
            None => false,
        };
        match self.polarity {
            Polarity::ActiveHigh => high,
            Polarity::ActiveLow => !high,
        }
    }
}

/// Where the status word tells the motion state, and by which codes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct MotionStateField {
    /// The bits in the status word.
    pub field: BitField,
    /// The axis that they speak of.
    pub axis: u8,
    /// The codes of standstill, accelerating, constant velocity and decelerating, in this order.
    pub codes: [u8; 4],
}

impl MotionStateField {
    /// The field, with the codes in the order of [`MotionState::ALL`].
    #[must_use]
    pub const fn new(field: BitField, codes: [u8; 4]) -> Self {
        Self { field, axis: 0, codes }
    }

    /// The same for another axis of the device.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self
    }

    /// The code of a motion state.
    #[must_use]
    pub const fn code_of(&self, state: MotionState) -> u8 {
        let [standstill, accelerating, constant, decelerating] = self.codes;
        match state {
            MotionState::Standstill => standstill,
            MotionState::Accelerating => accelerating,
            MotionState::ConstantVelocity => constant,
            MotionState::Decelerating => decelerating,
        }
    }
}

/// The status word.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct StatusLayout {
    /// Bits in the status word, 0 (no status) to 64.
    pub bits: u8,
    /// The flags.
    pub flags: &'static [StatusBit],
    /// The motion state, one field an axis, where the device tells it.
    pub motion_states: &'static [MotionStateField],
}

impl StatusLayout {
    /// A device without a status word.
    pub const NONE: Self = Self { bits: 0, flags: &[], motion_states: &[] };

    /// A status word of this many bits with these flags.
    #[must_use]
    pub const fn new(bits: u8, flags: &'static [StatusBit]) -> Self {
        Self { bits, flags, motion_states: &[] }
    }

    /// The same with the motion state told in these fields.
    #[must_use]
    pub const fn motion_states(mut self, fields: &'static [MotionStateField]) -> Self {
        self.motion_states = fields;
        self
    }
}
