//! What a procedure asks of a kind of device, whether its tables answer or its layout.

use core::marker::PhantomData;

use crate::chain::{Looks, Obstacle, obstacle};
use crate::command::{AxisCommand, Command, CommandError, Prepared};
use crate::map::{ChainMap, Devices, Layout};
use crate::reply::Status;

use super::{Asked, Tables};

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
    /// Why a command cannot be put into words.
    fn say(self, command: AxisCommand) -> Result<(), CommandError>;

    /// What is to be looked at for a command.
    fn looks(self, command: AxisCommand) -> Looks;

    /// Why a device of this status would refuse a command.
    fn obstacle(self, command: AxisCommand, status: &Status) -> Option<Obstacle>;
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
    fn say(self, command: AxisCommand) -> Result<(), CommandError> {
        Prepared::new(self, command).map(|_| ())
    }

    fn looks(self, command: AxisCommand) -> Looks {
        Looks::of(self, command)
    }

    fn obstacle(self, command: AxisCommand, status: &Status) -> Option<Obstacle> {
        obstacle(self, command, status)
    }
}

impl<M: ChainMap> Mapped<M> {
    fn layout(self) -> &'static Layout {
        M::DEVICES.layout(self.device)
    }
}

impl<M: ChainMap> Kind for Mapped<M> {
    fn say(self, command: AxisCommand) -> Result<(), CommandError> {
        if const { Tables::<M>::ARE_WHOLE } {
            Tables::<M>::ask(command, &mut { Asked::NOTHING })
        } else {
            self.layout().say(command)
        }
    }

    fn looks(self, command: AxisCommand) -> Looks {
        if const { Tables::<M>::ARE_WHOLE } { Tables::<M>::looks(command) } else { self.layout().looks(command) }
    }

    fn obstacle(self, command: AxisCommand, status: &Status) -> Option<Obstacle> {
        // Only what is looked at beforehand can be foreseen.
        if const { Tables::<M>::ARE_WHOLE && !Tables::<M>::LOOKS_BEFORE } {
            return None;
        }
        self.layout().obstacle(command, status)
    }
}

impl<M: ChainMap> Tables<M> {
    fn looks(asked: AxisCommand) -> Looks {
        let AxisCommand { axis, command, buffer_mode } = asked;
        let field = |parameter| Self::field(Self::field_number(parameter, axis));
        match command {
            Command::WriteParameter { parameter, .. } => field(parameter).map(|field| field.looks.0),
            Command::WriteContent { parameter, .. } => field(parameter).map(|field| field.looks.1),
            _ => command.verb().and_then(|verb| Self::form(verb, buffer_mode)).map(|form| form.looks),
        }
        .unwrap_or(Looks::NOTHING)
    }
}
