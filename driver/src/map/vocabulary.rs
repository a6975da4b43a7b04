//! The words in which motion is commanded: verbs, stopping, ways round, motion states.

use crate::units::Unit;

/// Which deceleration a stop uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum StopRamp {
    /// The profile deceleration: the normal slope.
    Profile,
    /// The quick stop deceleration: a steep slope.
    Quick,
    /// No slope: steps cease at once, and the rotor may lose synchronism.
    None,
}

/// What the output bridges do to the windings once the motor stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BridgeState {
    /// Current flows, the rotor is held.
    Driven,
    /// The windings are joined: passive braking, no holding torque.
    Shorted,
    /// No current is driven; the rotor is free and a load may drop.
    HighImpedance,
}

/// The way round a wrapping counter by which an absolute move goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Way {
    /// The shorter of the two; the positive one where both are alike.
    Shortest,
    /// Counting up.
    Positive,
    /// Counting down.
    Negative,
}

/// The sense in which a counter counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Direction {
    /// Up.
    Positive,
    /// Down.
    Negative,
}

/// What the device does with its position when a search meets the edge that it looks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum EdgeAction {
    /// Saves it: it becomes the probed position.
    Probe,
    /// Makes it zero.
    Zero,
}

/// When a motion command begins while another is being carried out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BufferMode {
    /// At once: it takes over.
    #[default]
    Aborting,
    /// When the other one is done.
    Buffered,
}

/// What the ramp generator is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum MotionState {
    /// No steps are made.
    Standstill,
    /// The speed grows.
    Accelerating,
    /// The speed is kept.
    ConstantVelocity,
    /// The speed falls.
    Decelerating,
}

impl MotionState {
    /// The four states, in the order in which a map lists their codes.
    pub const ALL: [Self; 4] = [Self::Standstill, Self::Accelerating, Self::ConstantVelocity, Self::Decelerating];

    /// The state's name in documents and map files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Standstill => "standstill",
            Self::Accelerating => "accelerating",
            Self::ConstantVelocity => "constant velocity",
            Self::Decelerating => "decelerating",
        }
    }
}

/// What a command does, without its arguments: the key under which a map lists the command's form.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Verb {
    /// Ramp to a velocity and keep it.
    MoveVelocity,
    /// Move by a distance.
    MoveRelative,
    /// Move to a position, by the given way.
    MoveAbsolute(Way),
    /// Stop with a ramp, then put the bridges into a state.
    Stop(StopRamp, BridgeState),
    /// Read one register.
    ReadParameter,
    /// Write one register.
    WriteParameter,
    /// Read the status and clear nothing.
    PeekStatus,
    /// Read the status and clear what it latched.
    TakeStatus,
    /// Make the present place zero.
    HomeOnCurrentPosition,
    /// Move to position zero.
    ReturnToZero,
    /// Move to the probed position.
    ReturnToProbedPosition,
    /// Run until the home switch closes, then stop.
    SearchForSwitch(EdgeAction),
    /// Creep until the home switch opens, then stop.
    SearchForZero(EdgeAction),
    /// Follow outside pulses, one microstep for each.
    PulseInput,
    /// Return every parameter to its reset code.
    RestoreDefaults,
    /// Behave as after power-up.
    ResetNode,
    /// Acknowledge latched faults.
    FaultReset,
}

impl Verb {
    /// Every verb with every choice of its options, in the order of the declaration.
    pub const ALL: &'static [Self] = &[
        Self::MoveVelocity,
        Self::MoveRelative,
        Self::MoveAbsolute(Way::Shortest),
        Self::MoveAbsolute(Way::Positive),
        Self::MoveAbsolute(Way::Negative),
        Self::Stop(StopRamp::Profile, BridgeState::Driven),
        Self::Stop(StopRamp::Profile, BridgeState::Shorted),
        Self::Stop(StopRamp::Profile, BridgeState::HighImpedance),
        Self::Stop(StopRamp::Quick, BridgeState::Driven),
        Self::Stop(StopRamp::Quick, BridgeState::Shorted),
        Self::Stop(StopRamp::Quick, BridgeState::HighImpedance),
        Self::Stop(StopRamp::None, BridgeState::Driven),
        Self::Stop(StopRamp::None, BridgeState::Shorted),
        Self::Stop(StopRamp::None, BridgeState::HighImpedance),
        Self::ReadParameter,
        Self::WriteParameter,
        Self::PeekStatus,
        Self::TakeStatus,
        Self::HomeOnCurrentPosition,
        Self::ReturnToZero,
        Self::ReturnToProbedPosition,
        Self::SearchForSwitch(EdgeAction::Probe),
        Self::SearchForSwitch(EdgeAction::Zero),
        Self::SearchForZero(EdgeAction::Probe),
        Self::SearchForZero(EdgeAction::Zero),
        Self::PulseInput,
        Self::RestoreDefaults,
        Self::ResetNode,
        Self::FaultReset,
    ];

    /// The verb's name in documents, messages and map files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::MoveVelocity => "move velocity",
            Self::MoveRelative => "move relative",
            Self::MoveAbsolute(Way::Shortest) => "move absolute, shortest way",
            Self::MoveAbsolute(Way::Positive) => "move absolute, positive way",
            Self::MoveAbsolute(Way::Negative) => "move absolute, negative way",
            Self::Stop(StopRamp::Profile, BridgeState::Driven) => "stop, profile ramp, driven",
            Self::Stop(StopRamp::Profile, BridgeState::Shorted) => "stop, profile ramp, shorted",
            Self::Stop(StopRamp::Profile, BridgeState::HighImpedance) => "stop, profile ramp, high impedance",
            Self::Stop(StopRamp::Quick, BridgeState::Driven) => "stop, quick ramp, driven",
            Self::Stop(StopRamp::Quick, BridgeState::Shorted) => "stop, quick ramp, shorted",
            Self::Stop(StopRamp::Quick, BridgeState::HighImpedance) => "stop, quick ramp, high impedance",
            Self::Stop(StopRamp::None, BridgeState::Driven) => "stop, no ramp, driven",
            Self::Stop(StopRamp::None, BridgeState::Shorted) => "stop, no ramp, shorted",
            Self::Stop(StopRamp::None, BridgeState::HighImpedance) => "stop, no ramp, high impedance",
            Self::ReadParameter => "read parameter",
            Self::WriteParameter => "write parameter",
            Self::PeekStatus => "peek status",
            Self::TakeStatus => "take status",
            Self::HomeOnCurrentPosition => "home on current position",
            Self::ReturnToZero => "return to zero",
            Self::ReturnToProbedPosition => "return to probed position",
            Self::SearchForSwitch(EdgeAction::Probe) => "search for switch, probe",
            Self::SearchForSwitch(EdgeAction::Zero) => "search for switch, zero",
            Self::SearchForZero(EdgeAction::Probe) => "search for zero, probe",
            Self::SearchForZero(EdgeAction::Zero) => "search for zero, zero",
            Self::PulseInput => "pulse input",
            Self::RestoreDefaults => "restore defaults",
            Self::ResetNode => "reset node",
            Self::FaultReset => "fault reset",
        }
    }

    /// A number of its own for each verb, options included: `==` for use in `const fn`.
    #[must_use]
    pub(crate) const fn id(self) -> u8 {
        self.id_here()
    }

    /// The same, compiled into its caller.
    #[inline(always)]
    pub(crate) const fn id_here(self) -> u8 {
        match self {
            Self::MoveVelocity => 0,
            Self::MoveRelative => 1,
            Self::MoveAbsolute(way) => 2 + way as u8,
            Self::Stop(ramp, bridge) => 5 + 3 * ramp as u8 + bridge as u8,
            Self::ReadParameter => 14,
            Self::WriteParameter => 15,
            Self::PeekStatus => 16,
            Self::TakeStatus => 17,
            Self::HomeOnCurrentPosition => 18,
            Self::ReturnToZero => 19,
            Self::ReturnToProbedPosition => 20,
            Self::SearchForSwitch(action) => 21 + action as u8,
            Self::SearchForZero(action) => 23 + action as u8,
            Self::PulseInput => 25,
            Self::RestoreDefaults => 26,
            Self::ResetNode => 27,
            Self::FaultReset => 28,
        }
    }

    /// Whether the command speaks of one register.
    #[must_use]
    pub const fn takes_address(self) -> bool {
        matches!(self, Self::ReadParameter | Self::WriteParameter)
    }

    /// The unit of what the command carries: a velocity, or microsteps for a distance or a target position.
    #[must_use]
    pub const fn argument(self) -> Option<Unit> {
        match self {
            Self::MoveVelocity | Self::SearchForSwitch(_) | Self::SearchForZero(_) => Some(Unit::StepsPerSecond),
            Self::MoveRelative | Self::MoveAbsolute(_) => Some(Unit::Microsteps),
            _ => None,
        }
    }

    /// Whether the command may do without its argument: a search for zero may creep at a speed of the device's own.
    #[must_use]
    pub const fn argument_is_optional(self) -> bool {
        matches!(self, Self::SearchForZero(_))
    }

    /// Whether the command has a direction of its own, apart from or in the sign of its argument.
    #[must_use]
    pub const fn is_directed(self) -> bool {
        matches!(
            self,
            Self::MoveVelocity
                | Self::MoveRelative
                | Self::SearchForSwitch(_)
                | Self::SearchForZero(_)
                | Self::PulseInput
        )
    }

    /// Whether the command sets an axis going.
    #[must_use]
    pub const fn is_motion(self) -> bool {
        self.is_directed() || matches!(self, Self::MoveAbsolute(_) | Self::ReturnToZero | Self::ReturnToProbedPosition)
    }

    /// Whether the command is for one axis of a device, and not for a register or the device's status.
    #[must_use]
    pub const fn is_of_one_axis(self) -> bool {
        self.is_motion() || matches!(self, Self::Stop(..) | Self::HomeOnCurrentPosition)
    }
}
