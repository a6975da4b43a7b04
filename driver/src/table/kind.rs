//! What a procedure asks of a kind of device, whether its tables answer or its layout.

use core::marker::PhantomData;

use crate::chain::{Looks, Obstacle, obstacle};
use crate::command::{AxisCommand, Command, CommandError, Prepared};
use crate::map::{
    Access, BufferMode, ChainMap, Devices, Layout, Parameter, Piece, PositionCounter, StatusLayout, Verb,
};
use crate::reply::Status;
use crate::settings::{Setting, written};
use crate::units::Value;

use super::{Lane, Tables, at};

/// What the devices of a chain are like: [`Devices`], which are looked up when the firmware runs, or [`Mapped`], of which the
/// compiler knows the map. Both give the same frames; `Mapped` takes a fraction of the flash.
pub trait Kinds: Copy + sealed::Kinds {}

impl<K: Copy + sealed::Kinds> Kinds for K {}

/// The devices of the map `M`, by the tables that the compiler makes of it.
///
/// ```
/// use stepchain::map::Mapped;
/// use stepchain::reference::Latched;
///
/// const DEVICES: Mapped<Latched> = Mapped::NEW;
/// # let _ = DEVICES;
/// ```
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Mapped<M> {
    /// Which of them is looked at: of tables all are alike.
    device: usize,
    map: PhantomData<M>,
}

pub(crate) mod sealed {
    /// Where the devices' kinds come from.
    pub trait Kinds {
        /// One device's kind.
        #[allow(private_bounds, reason = "nobody else can implement or use it")]
        #[allow(private_interfaces)]
        type Kind: super::Kind;

        /// The kind of a device.
        fn kind(self, device: usize) -> Self::Kind;
    }
}

/// What is asked of one device's kind.
pub(crate) trait Kind: Copy {
    /// Whether the status may have to be looked at before a command.
    const LOOKS_BEFORE: bool;

    /// Why a command cannot be put into words.
    fn say(self, command: AxisCommand) -> Result<(), CommandError>;

    /// What is to be looked at for a command.
    fn looks(self, command: AxisCommand) -> Looks;

    /// Why a device of this status would refuse a command.
    fn obstacle(self, command: AxisCommand, status: &Status) -> Option<Obstacle>;

    /// Whether there is a command that begins at once.
    fn has(self, verb: Verb) -> bool;

    /// Whether the reply to a command has a bit of the status word in it.
    fn tells(self, verb: Verb, bit: u8) -> bool;

    /// The status word.
    fn status(self) -> &'static StatusLayout;

    /// The position counter.
    fn position(self) -> PositionCounter;

    /// Who may write the register that carries a parameter for an axis, and its name.
    fn register(self, parameter: Parameter, axis: u8) -> Option<(Access, &'static str)>;

    /// Why a setting cannot be written.
    fn check(self, setting: &Setting) -> Result<(), CommandError>;

    /// What a setting's value becomes in its register.
    fn quantised(self, setting: &Setting) -> Option<Value>;

    /// The command that writes one of these settings.
    fn write(self, settings: &[Setting], setting: &Setting) -> Option<Command>;
}

impl<M> Mapped<M> {
    /// The devices.
    pub const NEW: Self = Self { device: 0, map: PhantomData };
}

impl<M> Clone for Mapped<M> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<M> Copy for Mapped<M> {}

impl<M> core::fmt::Debug for Mapped<M> {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Mapped").field("device", &self.device).finish()
    }
}

impl sealed::Kinds for Devices {
    type Kind = &'static Layout;

    fn kind(self, device: usize) -> &'static Layout {
        self.layout(device)
    }
}

impl<M: ChainMap> sealed::Kinds for Mapped<M> {
    type Kind = Self;

    fn kind(self, device: usize) -> Self {
        Self { device, ..self }
    }
}

impl Kind for &'static Layout {
    const LOOKS_BEFORE: bool = true;

    fn say(self, command: AxisCommand) -> Result<(), CommandError> {
        Prepared::new(self, command).map(|_| ())
    }

    fn looks(self, command: AxisCommand) -> Looks {
        Looks::of(self, command)
    }

    fn obstacle(self, command: AxisCommand, status: &Status) -> Option<Obstacle> {
        obstacle(self, command, status)
    }

    fn has(self, verb: Verb) -> bool {
        self.form(verb).is_some()
    }

    fn tells(self, verb: Verb, bit: u8) -> bool {
        self.form(verb).is_some_and(|form| {
            form.reply.iter().any(|piece| match *piece {
                Piece::Status { lsb, width } => bit.checked_sub(lsb).is_some_and(|offset| offset < width),
                _ => false,
            })
        })
    }

    fn status(self) -> &'static StatusLayout {
        &self.status
    }

    fn position(self) -> PositionCounter {
        self.position
    }

    fn register(self, parameter: Parameter, axis: u8) -> Option<(Access, &'static str)> {
        Layout::register(self, parameter, axis).map(|register| (register.access, register.name))
    }

    fn check(self, setting: &Setting) -> Result<(), CommandError> {
        setting.code_or_error(self).map(|_| ())
    }

    fn quantised(self, setting: &Setting) -> Option<Value> {
        Layout::register(self, setting.parameter, setting.axis)?.quantised(setting.value).ok()
    }

    fn write(self, settings: &[Setting], setting: &Setting) -> Option<Command> {
        written(self, settings, setting)
    }
}

impl<M: ChainMap> Mapped<M> {
    fn layout(self) -> &'static Layout {
        M::DEVICES.layout(self.device)
    }
}

impl<M: ChainMap> Kind for Mapped<M> {
    const LOOKS_BEFORE: bool = !Tables::<M>::ARE_WHOLE || Tables::<M>::LOOKS_BEFORE;

    fn say(self, command: AxisCommand) -> Result<(), CommandError> {
        if const { Tables::<M>::ARE_WHOLE } {
            Tables::<M>::ask(command, &mut { Lane::NOTHING })
        } else {
            self.layout().say(command)
        }
    }

    fn looks(self, command: AxisCommand) -> Looks {
        if const { Tables::<M>::ARE_WHOLE } { Tables::<M>::looks(command) } else { self.layout().looks(command) }
    }

    fn obstacle(self, command: AxisCommand, status: &Status) -> Option<Obstacle> {
        // Only what is looked at beforehand can be foreseen.
        if Self::LOOKS_BEFORE { self.layout().obstacle(command, status) } else { None }
    }

    fn has(self, verb: Verb) -> bool {
        if const { Tables::<M>::ARE_WHOLE } {
            Tables::<M>::form(verb, BufferMode::Aborting).is_some()
        } else {
            self.layout().has(verb)
        }
    }

    fn tells(self, verb: Verb, bit: u8) -> bool {
        if const { Tables::<M>::ARE_WHOLE } {
            let answer = Tables::<M>::form(verb, BufferMode::Aborting).map_or(0, |form| form.answer);
            at(Tables::<M>::ANSWERS, answer).known.wrapping_shr(bit.into()) & 1 == 1
        } else {
            self.layout().tells(verb, bit)
        }
    }

    fn status(self) -> &'static StatusLayout {
        if const { Tables::<M>::ARE_WHOLE } { const { &Tables::<M>::STATUS } } else { &self.layout().status }
    }

    fn position(self) -> PositionCounter {
        if const { Tables::<M>::ARE_WHOLE } { const { Tables::<M>::LAYOUT.position } } else { self.layout().position }
    }

    fn register(self, parameter: Parameter, axis: u8) -> Option<(Access, &'static str)> {
        if const { Tables::<M>::ARE_WHOLE } {
            let number = Tables::<M>::field_number(parameter, axis);
            let field = at(Tables::<M>::FIELDS, number);
            (number > 0).then_some((field.access, field.name))
        } else {
            Kind::register(self.layout(), parameter, axis)
        }
    }

    fn check(self, setting: &Setting) -> Result<(), CommandError> {
        if const { Tables::<M>::ARE_WHOLE } {
            let Setting { parameter, axis, value } = *setting;
            let number = Tables::<M>::field_number(parameter, axis);
            let field = at(Tables::<M>::FIELDS, number);
            if number == 0 {
                Err(CommandError::NoSuchParameter { parameter })
            } else if Tables::<M>::code_for(field, value).is_none() {
                Err(Tables::<M>::misfit(field, value))
            } else {
                Ok(())
            }
        } else {
            self.layout().check(setting)
        }
    }

    fn quantised(self, setting: &Setting) -> Option<Value> {
        if const { Tables::<M>::ARE_WHOLE } {
            let field = at(Tables::<M>::FIELDS, Tables::<M>::field_number(setting.parameter, setting.axis));
            let code = Tables::<M>::code_for(field, setting.value)?;
            Tables::<M>::value_in(field, code.wrapping_shl(field.lsb.into())).ok()
        } else {
            self.layout().quantised(setting)
        }
    }

    fn write(self, settings: &[Setting], setting: &Setting) -> Option<Command> {
        if const { Tables::<M>::ARE_WHOLE && !Tables::<M>::KEEPS_SHADOW } {
            let Setting { parameter, value, .. } = *setting;
            Some(Command::WriteParameter { parameter, value })
        } else {
            self.layout().write(settings, setting)
        }
    }
}

impl<M: ChainMap> Tables<M> {
    fn looks(asked: AxisCommand) -> Looks {
        let AxisCommand { axis, command, buffer_mode } = asked;
        let field = |parameter| at(Self::FIELDS, Self::field_number(parameter, axis));
        match command {
            Command::WriteParameter { parameter, .. } => field(parameter).looks.0,
            Command::WriteContent { parameter, .. } => field(parameter).looks.1,
            _ => {
                let form = command.verb().and_then(|verb| Self::form(verb, buffer_mode));
                form.map_or(Looks::NOTHING, |form| form.looks)
            }
        }
    }
}
