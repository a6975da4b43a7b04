//! What can be asked of a device, in physical units: the intent, before any bit.
//!
//! A [`Command`] says what one axis shall do; [`Command::on`] says which axis of a device with several. Turning it
//! into a form and codes of one [`Layout`], and refusing what the device cannot do, is done here too; nothing here
//! knows of frames.

use core::fmt;

use crate::map::{
    Access, BridgeState, BufferMode, Coding, CommandForm, Direction, EdgeAction, Layout, Parameter, Piece, Register,
    Request, SharedWrite, Source, StopRamp, Verb, Way,
};
use crate::units::{Distance, OutOfRange, Position, Unit, Value, Velocity};

/// What one axis of one device is asked to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Command {
    /// Nothing: the device's share of the frame is filler.
    #[default]
    Filler,
    /// Ramp to a velocity, in full steps/s, and keep it until told otherwise.
    MoveVelocity {
        /// The velocity; positive counts the position up.
        velocity: Velocity,
    },
    /// Move by a distance, in microsteps.
    MoveRelative {
        /// The distance; positive counts the position up.
        distance: Distance,
    },
    /// Move to a position, in microsteps of the device's own wrapping counter.
    MoveAbsolute {
        /// Where the move ends.
        target: Position,
        /// The way round.
        way: Way,
    },
    /// Stop.
    Stop {
        /// How the motor slows.
        ramp: StopRamp,
        /// What the bridges do once it stands.
        bridge: BridgeState,
    },
    /// Read a parameter.
    ReadParameter {
        /// Which one.
        parameter: Parameter,
    },
    /// Write a parameter.
    WriteParameter {
        /// Which one.
        parameter: Parameter,
        /// The value, in the unit of the parameter's register.
        value: Value,
    },
    /// Write the whole register that a parameter stands in, all its fields at once.
    ///
    /// Made by [`Shadow`](crate::settings::Shadow), which knows what the other fields hold.
    WriteContent {
        /// The parameter.
        parameter: Parameter,
        /// The register's content.
        content: u32,
    },
    /// Read the status and clear nothing.
    PeekStatus,
    /// Read the status and clear what it latched.
    TakeStatus,
    /// Make the present place zero, without motion.
    HomeOnCurrentPosition,
    /// Move to position zero.
    ReturnToZero,
    /// Move to the probed position.
    ReturnToProbedPosition,
    /// Run at a velocity until the home switch closes, then stop.
    SearchForSwitch {
        /// The velocity and its direction.
        velocity: Velocity,
        /// What becomes of the position at the edge.
        action: EdgeAction,
    },
    /// Creep at a velocity until the home switch opens, then stop.
    SearchForZero {
        /// The velocity and its direction; a device that creeps at a speed of its own takes the direction alone.
        velocity: Velocity,
        /// What becomes of the position at the edge.
        action: EdgeAction,
    },
    /// Follow outside pulses: each is one microstep.
    PulseInput {
        /// The sense in which a pulse counts.
        direction: Direction,
    },
    /// Return every parameter to its reset code.
    RestoreDefaults,
    /// Behave as after power-up.
    ResetNode,
    /// Acknowledge latched faults.
    FaultReset,
}

impl Command {
    /// Writes `parameter`, as the code of its register that is nearest to `value`.
    ///
    /// A value nearer to zero than to what the first code means is written as zero: an acceleration of 1 step/s² where
    /// one code is 5 steps/s² leaves no acceleration at all. [`Register::quantised`] shows what a value becomes.
    pub fn write(parameter: Parameter, value: impl Into<Value>) -> Self {
        Self::WriteParameter { parameter, value: value.into() }
    }

    /// Reads `parameter`.
    #[must_use]
    pub const fn read(parameter: Parameter) -> Self {
        Self::ReadParameter { parameter }
    }

    /// The command for this axis of the device, counted from 0.
    #[must_use]
    pub const fn on(self, axis: u8) -> AxisCommand {
        AxisCommand { axis, command: self, buffer_mode: BufferMode::Aborting }
    }

    /// The command for axis 0, to begin when the one that is being carried out is done.
    #[must_use]
    pub const fn buffered(self) -> AxisCommand {
        self.on(0).buffered()
    }

    /// The key of the command's form in a map; `None` for filler.
    #[must_use]
    pub const fn verb(self) -> Option<Verb> {
        self.verb_here()
    }

    /// The same, compiled into its caller.
    #[inline(always)]
    pub(crate) const fn verb_here(self) -> Option<Verb> {
        Some(match self {
            Self::Filler => return None,
            Self::MoveVelocity { .. } => Verb::MoveVelocity,
            Self::MoveRelative { .. } => Verb::MoveRelative,
            Self::MoveAbsolute { way, .. } => Verb::MoveAbsolute(way),
            Self::Stop { ramp, bridge } => Verb::Stop(ramp, bridge),
            Self::ReadParameter { .. } => Verb::ReadParameter,
            Self::WriteParameter { .. } | Self::WriteContent { .. } => Verb::WriteParameter,
            Self::PeekStatus => Verb::PeekStatus,
            Self::TakeStatus => Verb::TakeStatus,
            Self::HomeOnCurrentPosition => Verb::HomeOnCurrentPosition,
            Self::ReturnToZero => Verb::ReturnToZero,
            Self::ReturnToProbedPosition => Verb::ReturnToProbedPosition,
            Self::SearchForSwitch { action, .. } => Verb::SearchForSwitch(action),
            Self::SearchForZero { action, .. } => Verb::SearchForZero(action),
            Self::PulseInput { .. } => Verb::PulseInput,
            Self::RestoreDefaults => Verb::RestoreDefaults,
            Self::ResetNode => Verb::ResetNode,
            Self::FaultReset => Verb::FaultReset,
        })
    }

    /// Whether a device that gets the command twice, with nothing between, is as one that got it once.
    ///
    /// Not so for what reads or writes a register of the map's own, of which nobody here knows what that does.
    #[must_use]
    pub const fn may_arrive_twice(self) -> bool {
        match self {
            Self::ReadParameter { parameter }
            | Self::WriteParameter { parameter, .. }
            | Self::WriteContent { parameter, .. } => !matches!(parameter, Parameter::Custom(_)),
            Self::MoveAbsolute { way, .. } => matches!(way, Way::Shortest),
            // A search goes on from the edge that the first one met; a restart may have been waited for.
            Self::MoveRelative { .. }
            | Self::TakeStatus
            | Self::SearchForSwitch { .. }
            | Self::SearchForZero { .. }
            | Self::ResetNode => false,
            Self::Filler
            | Self::MoveVelocity { .. }
            | Self::Stop { .. }
            | Self::PeekStatus
            | Self::HomeOnCurrentPosition
            | Self::ReturnToZero
            | Self::ReturnToProbedPosition
            | Self::PulseInput { .. }
            | Self::RestoreDefaults
            | Self::FaultReset => true,
        }
    }
}

/// A command and the axis of the device that it is for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisCommand {
    /// The axis, counted from 0.
    pub axis: u8,
    /// What it is asked.
    pub command: Command,
    /// When it begins while another command is being carried out.
    pub buffer_mode: BufferMode,
}

impl AxisCommand {
    /// The same, to begin when the one that is being carried out is done.
    #[must_use]
    pub const fn buffered(mut self) -> Self {
        self.buffer_mode = BufferMode::Buffered;
        self
    }
}

impl From<Command> for AxisCommand {
    /// The command for axis 0.
    fn from(command: Command) -> Self {
        command.on(0)
    }
}

/// Why a command cannot be put into the words of a device. Nothing was sent to any device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum CommandError {
    /// The map has no such command, or not in this buffer mode.
    Unsupported {
        /// The command.
        verb: Verb,
        /// When it should begin.
        buffer_mode: BufferMode,
    },
    /// The chain has no such device.
    NoSuchDevice {
        /// How many there are.
        devices: usize,
    },
    /// The device has no such axis.
    NoSuchAxis {
        /// The axis asked for.
        axis: u8,
        /// How many there are.
        axes: u8,
    },
    /// The map has no register for the parameter, on this axis.
    NoSuchParameter {
        /// The parameter.
        parameter: Parameter,
    },
    /// The register can only be read.
    ReadOnly {
        /// The register's name.
        register: &'static str,
    },
    /// The register's fields are written together, by a shadow copy of what they hold.
    NeedsShadow {
        /// The register's name.
        register: &'static str,
    },
    /// The content has bits that the register does not have.
    Content {
        /// The register's name.
        register: &'static str,
        /// The content.
        found: u32,
        /// The bits that it may have.
        mask: u32,
    },
    /// The value is of another unit than the register.
    WrongUnit {
        /// The register's name.
        register: &'static str,
        /// The unit of the value.
        found: Unit,
        /// The unit of the register.
        expected: Unit,
    },
    /// The value is beyond what the command's or register's codes can mean.
    OutOfRange {
        /// The register's or the command's name.
        of: &'static str,
        /// The value and both limits.
        error: OutOfRange,
    },
}

impl fmt::Display for CommandError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unsupported { verb, buffer_mode: BufferMode::Aborting } => {
                write!(f, "the map has no command `{}`", verb.name())
            }
            Self::Unsupported { verb, buffer_mode: BufferMode::Buffered } => {
                write!(f, "the map has no command `{}` that waits for another", verb.name())
            }
            Self::NoSuchDevice { devices } => write!(f, "the chain has only {devices} devices, counted from 0"),
            Self::NoSuchAxis { axis, axes } => write!(f, "axis {axis} does not exist, the device has {axes}"),
            Self::NoSuchParameter { parameter } => write!(f, "the map has no register for `{parameter}`"),
            Self::NeedsShadow { register } => {
                write!(f, "register `{register}` shares its address and is written by a shadow copy, not alone")
            }
            Self::Content { register, found, mask } => {
                write!(f, "register `{register}` holds bits {mask:#x}, not {found:#x}")
            }
            Self::ReadOnly { register } => write!(f, "register `{register}` can only be read"),
            Self::WrongUnit { register, found, expected } => {
                write!(f, "register `{register}` takes a value in {}, not in {}", named(*expected), named(*found))
            }
            Self::OutOfRange { of, error } => write!(f, "`{of}`: {error}"),
        }
    }
}

/// A unit by its symbol; the two that have none by a word.
const fn named(unit: Unit) -> &'static str {
    match unit {
        Unit::Factor => "bare factors",
        Unit::Code => "register codes",
        unit => unit.symbol(),
    }
}

impl core::error::Error for CommandError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::OutOfRange { error, .. } => Some(error),
            _ => None,
        }
    }
}

/// A command in one device's own terms: its form, and every number in it as a code.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Prepared {
    pub(crate) form: &'static CommandForm,
    /// The register that is read or written.
    pub(crate) register: Option<&'static Register>,
    pub(crate) axis: u8,
    /// Whether the argument counts the position up.
    pub(crate) positive: bool,
    /// The code of the argument, or of the value written, or the content of the whole register.
    pub(crate) code: u32,
    /// Whether the code is the content of the whole register.
    pub(crate) is_content: bool,
}

impl Prepared {
    /// `None` for filler.
    // Kept apart: merged into the one caller in most images, it costs 200 bytes more there (thumbv7em, optimised for size).
    #[inline(never)]
    pub(crate) const fn new(layout: &Layout, asked: AxisCommand) -> Result<Option<Self>, CommandError> {
        let AxisCommand { axis, command, buffer_mode } = asked;
        let Some(verb) = command.verb() else {
            return Ok(None);
        };
        if axis >= layout.axes {
            return Err(CommandError::NoSuchAxis { axis, axes: layout.axes });
        }
        let Some(form) = layout.form_in(verb, buffer_mode) else {
            return Err(CommandError::Unsupported { verb, buffer_mode });
        };
        let plain = Self { form, register: None, axis, positive: true, code: 0, is_content: false };
        let prepared = match command {
            Command::ReadParameter { parameter }
            | Command::WriteParameter { parameter, .. }
            | Command::WriteContent { parameter, .. } => {
                let Some(register) = layout.register(parameter, axis) else {
                    return Err(CommandError::NoSuchParameter { parameter });
                };
                plain.of_register(layout, register, command)
            }
            Command::MoveVelocity { velocity }
            | Command::SearchForSwitch { velocity, .. }
            | Command::SearchForZero { velocity, .. } => {
                plain.arguing(layout, velocity.to_bits(), Unit::StepsPerSecond)
            }
            Command::MoveRelative { distance } => plain.arguing(layout, distance.to_bits(), Unit::Microsteps),
            Command::MoveAbsolute { target, .. } => {
                let (min, max) = layout.position.range();
                let bits = target.to_bits();
                if bits < min || bits > max {
                    let error = Unit::Microsteps.out_of_range(bits, min, max);
                    return Err(CommandError::OutOfRange { of: verb.name(), error });
                }
                plain.arguing(layout, bits, Unit::Microsteps)
            }
            Command::PulseInput { direction } => {
                Ok(Self { positive: matches!(direction, Direction::Positive), ..plain })
            }
            Command::Filler
            | Command::Stop { .. }
            | Command::PeekStatus
            | Command::TakeStatus
            | Command::HomeOnCurrentPosition
            | Command::ReturnToZero
            | Command::ReturnToProbedPosition
            | Command::RestoreDefaults
            | Command::ResetNode
            | Command::FaultReset => Ok(plain),
        };
        match prepared {
            Ok(prepared) => Ok(Some(prepared)),
            Err(error) => Err(error),
        }
    }

    /// The command that reads or writes this register.
    const fn of_register(
        mut self,
        layout: &Layout,
        register: &'static Register,
        command: Command,
    ) -> Result<Self, CommandError> {
        self.register = Some(register);
        match command {
            Command::WriteParameter { value, .. } => {
                self.code = match code_for(register, value) {
                    Ok(code) => code,
                    Err(error) => return Err(error),
                };
                if matches!(layout.wire.shared_write, SharedWrite::Shadow) && layout.is_shared(register.address) {
                    return Err(CommandError::NeedsShadow { register: register.name });
                }
            }
            Command::WriteContent { content, .. } => {
                if matches!(register.access, Access::ReadOnly) {
                    return Err(CommandError::ReadOnly { register: register.name });
                }
                let mask = layout.content_mask(register.address);
                if content & !mask != 0 {
                    return Err(CommandError::Content { register: register.name, found: content, mask });
                }
                self.code = content;
                self.is_content = true;
            }
            _ => {}
        }
        Ok(self)
    }

    /// Takes the bits of the command's velocity, distance or target: its direction, and its code in the form's own coding.
    const fn arguing(mut self, layout: &Layout, bits: i64, unit: Unit) -> Result<Self, CommandError> {
        self.positive = bits >= 0;
        let Some(argument) = Argument::of(layout, self.form, self.axis) else {
            return Ok(self);
        };
        let bits = if argument.is_magnitude { bits.saturating_abs() } else { bits };
        match argument.coding.code_of(bits, unit) {
            Ok(code) => {
                self.code = code;
                Ok(self)
            }
            Err(error) => Err(CommandError::OutOfRange { of: argument.of, error }),
        }
    }
}

const fn code_for(register: &Register, value: Value) -> Result<u32, CommandError> {
    let of = register.name;
    if matches!(register.access, Access::ReadOnly) {
        return Err(CommandError::ReadOnly { register: of });
    }
    if value.unit() as u8 != register.unit as u8 {
        return Err(CommandError::WrongUnit { register: of, found: value.unit(), expected: register.unit });
    }
    match register.coding.code_of(value.to_bits(), register.unit) {
        Ok(code) => Ok(code),
        Err(error) => Err(CommandError::OutOfRange { of, error }),
    }
}

/// How a form codes its argument, whose coding that is, and whether the direction is sent apart.
struct Argument {
    coding: &'static Coding,
    of: &'static str,
    is_magnitude: bool,
}

impl Argument {
    const fn of(layout: &Layout, form: &'static CommandForm, axis: u8) -> Option<Self> {
        let mut found = None;
        let mut is_magnitude = false;
        match form.request {
            Request::Word(pieces) => {
                let mut rest = pieces;
                while let [piece, tail @ ..] = rest {
                    rest = tail;
                    match piece {
                        Piece::Velocity { coding, .. }
                        | Piece::Distance { coding, .. }
                        | Piece::Position { coding, .. }
                            if found.is_none() =>
                        {
                            found = Some((coding, form.verb.name()));
                        }
                        Piece::Direction { .. } => is_magnitude = true,
                        _ => {}
                    }
                }
            }
            Request::Writes(writes) => {
                let mut rest = writes;
                while let [write, tail @ ..] = rest {
                    rest = tail;
                    match write.source {
                        Source::Argument if found.is_none() => {
                            let Some(register) = layout.register(write.parameter, axis) else {
                                return None;
                            };
                            found = Some((&register.coding, register.name));
                        }
                        Source::Direction { .. } => is_magnitude = true,
                        _ => {}
                    }
                }
            }
        }
        match found {
            Some((coding, of)) => Some(Self { coding, of, is_magnitude }),
            None => None,
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;

    use super::*;

    #[test]
    fn a_value_in_another_unit_is_refused_in_the_words_of_both_units() {
        let text = |found, expected| CommandError::WrongUnit { register: "speed", found, expected }.to_string();
        assert_eq!(
            text(Unit::StepsPerSecondSquared, Unit::StepsPerSecond),
            "register `speed` takes a value in steps/s, not in steps/s²"
        );
        assert_eq!(
            text(Unit::Code, Unit::Factor),
            "register `speed` takes a value in bare factors, not in register codes"
        );
    }
}
