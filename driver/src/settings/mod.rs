//! A device's whole configuration as one typed value: checked, quantised, compared, applied, stored.
//!
//! [`Settings`] is a list of parameters and values in physical units, built in a constant if wanted. [`Apply`] writes
//! it to every device of a chain in the frames of one and reads it back; [`image`] turns it into bytes for an EEPROM
//! and back.

mod apply;
pub mod image;
mod shadow;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;

pub use apply::{Apply, ApplyError, ReadBack};
pub use shadow::Shadow;
pub(crate) use shadow::written;

use core::fmt;

use crate::command::CommandError;
use crate::map::{Access, Layout, Message, Parameter, Register};
use crate::units::Value;

/// One parameter of one axis, and its value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Setting {
    /// The parameter.
    pub parameter: Parameter,
    /// The axis within the device, counted from 0.
    pub axis: u8,
    /// The value, in the unit of the parameter's register.
    pub value: Value,
}

impl Setting {
    /// A setting of axis 0.
    #[must_use]
    pub const fn new(parameter: Parameter, value: Value) -> Self {
        Self { parameter, axis: 0, value }
    }

    /// The same for another axis.
    #[must_use]
    pub const fn on(mut self, axis: u8) -> Self {
        self.axis = axis;
        self
    }

    const fn is_of(&self, other: &Self) -> bool {
        self.axis == other.axis && self.parameter.same(other.parameter)
    }

    /// The setting's register, and the code that it is written as.
    ///
    /// # Errors
    /// [`SettingsError`] if the map has no such register, it cannot be written, or no code means the value.
    pub const fn code(&self, layout: &Layout) -> Result<(&'static Register, u32), SettingsError> {
        match self.code_or_error(layout) {
            Ok(code) => Ok(code),
            Err(error) => Err(SettingsError::Command { parameter: self.parameter, axis: self.axis, error }),
        }
    }

    pub(crate) const fn code_or_error(&self, layout: &Layout) -> Result<(&'static Register, u32), CommandError> {
        let Self { parameter, axis, value } = *self;
        Err(match layout.register(parameter, axis) {
            None => CommandError::NoSuchParameter { parameter },
            Some(register) if matches!(register.access, Access::ReadOnly) => {
                CommandError::ReadOnly { register: register.name }
            }
            Some(register) if value.unit() as u8 != register.unit as u8 => {
                CommandError::WrongUnit { register: register.name, found: value.unit(), expected: register.unit }
            }
            Some(register) => match register.code_of(value) {
                Ok(code) => return Ok((register, code)),
                Err(error) => CommandError::OutOfRange { of: register.name, error },
            },
        })
    }
}

/// Why settings do not fit a map. Nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum SettingsError {
    /// One of them cannot be written.
    Command {
        /// The parameter.
        parameter: Parameter,
        /// Its axis.
        axis: u8,
        /// Why not.
        error: CommandError,
    },
    /// A parameter occurs twice.
    Twice {
        /// The parameter.
        parameter: Parameter,
        /// Its axis.
        axis: u8,
    },
}

impl fmt::Display for SettingsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Command { parameter, axis, error } => write!(f, "setting `{parameter}` of axis {axis}: {error}"),
            Self::Twice { parameter, axis } => write!(f, "setting `{parameter}` of axis {axis} occurs twice"),
        }
    }
}

impl core::error::Error for SettingsError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Command { error, .. } => Some(error),
            Self::Twice { .. } => None,
        }
    }
}

/// `K` settings of one device, in the order in which they were given.
///
/// ```
/// use stepchain::map::{Parameter, RegisterMap};
/// use stepchain::reference::Latched;
/// use stepchain::settings::{Setting, Settings};
/// use stepchain::units::{Acceleration, Value, Velocity};
///
/// const FEEDER: Settings<2> = Settings::new([
///     Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<600>())),
///     Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_501>())),
/// ]);
/// // A setting that the map cannot hold does not compile.
/// const _: () = FEEDER.assert_fits(&Latched::LAYOUT);
///
/// let really = FEEDER.quantised(&Latched::LAYOUT)?;
/// assert_eq!(really.get(Parameter::ProfileAcceleration, 0).unwrap().to_string(), "1502 steps/s²");
/// # Ok::<(), stepchain::settings::SettingsError>(())
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Settings<const K: usize> {
    entries: [Setting; K],
}

impl<const K: usize> Settings<K> {
    /// These settings.
    #[must_use]
    pub const fn new(entries: [Setting; K]) -> Self {
        Self { entries }
    }

    /// The settings, in the order in which they were given.
    #[must_use]
    pub const fn entries(&self) -> &[Setting; K] {
        &self.entries
    }

    /// The value of a parameter of an axis, if it is among the settings.
    #[must_use]
    pub fn get(&self, parameter: Parameter, axis: u8) -> Option<Value> {
        self.entries.iter().find(|entry| entry.axis == axis && entry.parameter == parameter).map(|entry| entry.value)
    }

    /// Checks that every setting can be written to a device of this kind, and none occurs twice.
    ///
    /// # Errors
    /// The first [`SettingsError`].
    pub const fn check(&self, layout: &Layout) -> Result<(), SettingsError> {
        let mut rest: &[Setting] = &self.entries;
        while let [entry, tail @ ..] = rest {
            if let Err(error) = entry.code(layout) {
                return Err(error);
            }
            let mut others = tail;
            while let [other, more @ ..] = others {
                if entry.is_of(other) {
                    return Err(SettingsError::Twice { parameter: entry.parameter, axis: entry.axis });
                }
                others = more;
            }
            rest = tail;
        }
        Ok(())
    }

    /// Stops the compilation of a constant that evaluates it if the settings do not fit the map.
    ///
    /// # Panics
    /// If [`check`](Self::check) finds an error; meant for constants, where that is a compile error.
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    #[track_caller]
    pub const fn assert_fits(&self, layout: &Layout) {
        #[track_caller]
        const fn refuse(what: &str, name: &str) -> ! {
            panic!("{}", Message::of(&["a setting does not fit the map: ", what, " `", name, "`"]).as_str())
        }
        match self.check(layout) {
            Ok(()) => {}
            Err(SettingsError::Twice { parameter, .. }) => refuse("it occurs twice:", parameter.name()),
            Err(SettingsError::Command { error, .. }) => match error {
                CommandError::NoSuchParameter { parameter } => refuse("the map has no register for", parameter.name()),
                CommandError::ReadOnly { register } => refuse("it can only be read:", register),
                CommandError::WrongUnit { register, .. } => refuse("it is of another unit:", register),
                CommandError::OutOfRange { of, .. } => refuse("it is outside of its register's range:", of),
                _ => panic!("a setting does not fit the map"),
            },
        }
    }

    /// The same settings with the values that the codes really mean.
    ///
    /// # Errors
    /// [`SettingsError`] for the first that cannot be written.
    pub fn quantised(mut self, layout: &Layout) -> Result<Self, SettingsError> {
        for entry in &mut self.entries {
            let (register, code) = entry.code(layout)?;
            let Setting { parameter, axis, .. } = *entry;
            entry.value = register.value_of(code).map_err(|error| SettingsError::Command {
                parameter,
                axis,
                error: CommandError::OutOfRange { of: register.name, error },
            })?;
        }
        Ok(self)
    }

    /// In what these settings differ from others: each parameter of these with both values, where the other has
    /// another value or (`None`) none.
    pub fn diff<'a, const L: usize>(
        &'a self,
        other: &'a Settings<L>,
    ) -> impl Iterator<Item = (Setting, Option<Value>)> + 'a {
        self.entries.iter().filter_map(|entry| {
            let theirs = other.get(entry.parameter, entry.axis);
            (theirs != Some(entry.value)).then_some((*entry, theirs))
        })
    }
}
