//! Writes settings to a whole chain and reads them back.
//!
//! ```text
//!   look        peek status of all           only where a register may be written at standstill or with the bridge off
//!   write       setting 0 of all, 1 of all, ...   first those that ask for the bridge off, then those for standstill
//!   read back   setting 0 of all, 1 of all, ...
//! ```
//!
//! Every exchange serves all devices: N devices cost what one costs in frames.

use core::fmt;

use crate::chain::{Procedure, Step};
use crate::command::{AxisCommand, Command};
use crate::map::{Access, Devices, Flag, MotionState, Verb};
use crate::reply::{Reply, ReplyError, Status};
use crate::table::{Kind, Kinds};
use crate::units::Value;

use super::{Setting, Settings, SettingsError};

/// Why settings were not applied to a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ApplyError {
    /// They do not fit the map. Nothing was written.
    Settings(SettingsError),
    /// A setting can only be written at standstill, and this axis moves. Nothing was written to any device.
    Moving {
        /// The register's name.
        register: &'static str,
    },
    /// A setting can only be written while the bridges are in high impedance, and this axis is driven. Nothing was
    /// written to any device.
    BridgeDriven {
        /// The register's name.
        register: &'static str,
    },
    /// A reply cannot be believed.
    Reply(ReplyError),
    /// A register holds something else than what was written to it.
    Differs {
        /// The register's name.
        register: &'static str,
        /// What was written, as the code really means it.
        written: Value,
        /// What was read back.
        found: Value,
    },
}

impl fmt::Display for ApplyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Settings(error) => write!(f, "{error}"),
            Self::Moving { register } => {
                write!(f, "register `{register}` can only be written at standstill, and the axis moves")
            }
            Self::BridgeDriven { register } => {
                write!(f, "register `{register}` can only be written in high impedance, and the bridge is driven")
            }
            Self::Reply(error) => write!(f, "{error}"),
            Self::Differs { register, written, found } => {
                write!(f, "register `{register}` was written with {written} and holds {found}")
            }
        }
    }
}

impl core::error::Error for ApplyError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Settings(error) => Some(error),
            Self::Reply(error) => Some(error),
            _ => None,
        }
    }
}

/// The procedure that applies settings: drive it with a chain's `run`, then ask [`results`](Self::results).
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "a procedure does nothing until a chain runs it"]
pub struct Apply<'a, const K: usize, const N: usize, D = Devices> {
    devices: D,
    settings: [Option<&'a Settings<K>>; N],
    results: [Result<(), ApplyError>; N],
    state: State,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum State {
    Look,
    Write { rank: u8, index: usize },
    ReadBack { index: usize },
    Done,
}

impl<'a, const K: usize, const N: usize> Apply<'a, K, N> {
    /// Applies settings to each device, of one layout or of these [`Devices`]; `None` leaves a device as it is and sends
    /// it nothing but filler.
    pub fn new(devices: impl Into<Devices>, settings: [Option<&'a Settings<K>>; N]) -> Self {
        Self::over(devices.into(), settings)
    }

    /// Applies the same settings to every device.
    pub fn to_all(devices: impl Into<Devices>, settings: &'a Settings<K>) -> Self {
        Self::new(devices, [Some(settings); N])
    }
}

impl<'a, const K: usize, const N: usize, D: Kinds> Apply<'a, K, N, D> {
    /// As [`new`](Apply::new), for devices of either kind: with [`Mapped`](crate::table::Mapped) ones it takes less flash.
    pub fn over(devices: D, settings: [Option<&'a Settings<K>>; N]) -> Self {
        let mut results = [Ok(()); N];
        for (device, (result, settings)) in results.iter_mut().zip(settings).enumerate() {
            if let Some(settings) = settings {
                *result = check(devices.kind(device), settings.entries()).map_err(ApplyError::Settings);
            }
        }
        let state = if results.iter().any(Result::is_err) { State::Done } else { State::Look };
        Self { devices, settings, results, state }
    }

    /// How it went, for each device.
    pub const fn results(&self) -> &[Result<(), ApplyError>; N] {
        &self.results
    }

    /// Fills in one setting's command for each device that has it and is well so far; whether there was any.
    fn fill(
        &self,
        commands: &mut [AxisCommand; N],
        index: usize,
        command: impl Fn(D::Kind, &[Setting], &Setting) -> Option<Command>,
    ) -> bool {
        let mut any = false;
        for (device, ((place, settings), result)) in
            commands.iter_mut().zip(&self.settings).zip(&self.results).enumerate()
        {
            if let (Some(settings), Ok(())) = (settings, result)
                && let Some(entry) = settings.entries().get(index)
                && let Some(command) = command(self.devices.kind(device), settings.entries(), entry)
            {
                *place = command.on(entry.axis);
                any = true;
            }
        }
        any
    }
}

/// As [`Settings::check`].
fn check(kind: impl Kind, entries: &[Setting]) -> Result<(), SettingsError> {
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        rest = tail;
        let Setting { parameter, axis, .. } = *entry;
        kind.check(entry).map_err(|error| SettingsError::Command { parameter, axis, error })?;
        if tail.iter().any(|other| entry.is_of(other)) {
            return Err(SettingsError::Twice { parameter, axis });
        }
    }
    Ok(())
}

/// Whether something is to be written that not every state of the device allows, and its status can be looked at.
fn needs_look(kind: impl Kind, entries: &[Setting]) -> bool {
    kind.has(Verb::PeekStatus) && entries.iter().any(|entry| rank(kind, entry) < 2)
}

/// The order in which registers are written: what asks for the most comes first.
fn rank(kind: impl Kind, entry: &Setting) -> u8 {
    match kind.register(entry.parameter, entry.axis) {
        Some((Access::BridgeOff, _)) => 0,
        Some((Access::AtStandstill, _)) => 1,
        _ => 2,
    }
}

/// Why a setting must not be written now, as far as the status tells.
fn obstacle(kind: impl Kind, entry: &Setting, status: &Status) -> Option<ApplyError> {
    let (access, register) = kind.register(entry.parameter, entry.axis)?;
    let moves = || match status.motion_state_of(entry.axis) {
        Some(state) => state != MotionState::Standstill,
        None => status.flag_of(Flag::Busy, entry.axis) == Some(true),
    };
    match access {
        Access::AtStandstill if moves() => Some(ApplyError::Moving { register }),
        Access::BridgeOff if status.flag_of(Flag::BridgeOff, entry.axis) == Some(false) => {
            Some(ApplyError::BridgeDriven { register })
        }
        _ => None,
    }
}

fn compare(kind: impl Kind, entry: &Setting, reply: &Reply) -> Result<(), ApplyError> {
    let (Some((_, register)), Some(found)) = (kind.register(entry.parameter, entry.axis), reply.value) else {
        return Ok(());
    };
    let written = kind.quantised(entry).unwrap_or(entry.value);
    if found == written { Ok(()) } else { Err(ApplyError::Differs { register, written, found }) }
}

impl<const K: usize, const N: usize, D: Kinds> Procedure<N> for Apply<'_, K, N, D> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        loop {
            match self.state {
                State::Look => {
                    let mut any = false;
                    for (device, (place, settings)) in commands.iter_mut().zip(&self.settings).enumerate() {
                        if settings.is_some_and(|settings| needs_look(self.devices.kind(device), settings.entries())) {
                            *place = Command::PeekStatus.on(0);
                            any = true;
                        }
                    }
                    if any {
                        return Step::Exchange;
                    }
                    self.state = State::Write { rank: 0, index: 0 };
                }
                State::Write { rank: 3.., .. } => self.state = State::ReadBack { index: 0 },
                State::Write { rank, index } if index >= K => self.state = State::Write { rank: rank + 1, index: 0 },
                State::Write { rank: turn, index } => {
                    let write = |kind: D::Kind, settings: &[Setting], entry: &Setting| {
                        if rank(kind, entry) == turn { kind.write(settings, entry) } else { None }
                    };
                    if self.fill(commands, index, write) {
                        return Step::Exchange;
                    }
                    self.state = State::Write { rank: turn, index: index + 1 };
                }
                State::ReadBack { index } if index >= K => self.state = State::Done,
                State::ReadBack { index } => {
                    if self.fill(commands, index, |_, _, entry| Some(Command::read(entry.parameter))) {
                        return Step::Exchange;
                    }
                    self.state = State::ReadBack { index: index + 1 };
                }
                State::Done => return Step::Done,
            }
        }
    }

    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]) {
        let Self { devices, settings, results, state } = self;
        for (device, ((result, settings), reply)) in results.iter_mut().zip(settings).zip(replies).enumerate() {
            let kind = devices.kind(device);
            let (Some(settings), Ok(())) = (settings, &result) else {
                continue;
            };
            *result = match (*state, reply) {
                (_, Err(error)) => Err(ApplyError::Reply(*error)),
                (State::Look, Ok(reply)) => {
                    let mut obstacles = reply
                        .status
                        .iter()
                        .flat_map(|status| settings.entries().iter().filter_map(|entry| obstacle(kind, entry, status)));
                    obstacles.next().map_or(Ok(()), Err)
                }
                (State::ReadBack { index }, Ok(reply)) => {
                    settings.entries().get(index).map_or(Ok(()), |entry| compare(kind, entry, reply))
                }
                _ => Ok(()),
            };
        }
        self.state = match self.state {
            State::Look if self.results.iter().any(Result::is_err) => State::Done,
            State::Look => State::Write { rank: 0, index: 0 },
            State::Write { rank, index } => State::Write { rank, index: index + 1 },
            State::ReadBack { index } => State::ReadBack { index: index + 1 },
            State::Done => State::Done,
        };
    }
}

/// What the devices of a chain hold of a set of parameters: reads them and makes settings of what it finds.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "a procedure does nothing until a chain runs it"]
pub struct ReadBack<const K: usize, const N: usize> {
    found: [Result<Settings<K>, ReplyError>; N],
    index: usize,
}

impl<const K: usize, const N: usize> ReadBack<K, N> {
    /// Reads the parameters that `pattern` names; its values do not matter.
    pub const fn new(pattern: &Settings<K>) -> Self {
        Self { found: [Ok(*pattern); N], index: 0 }
    }

    /// What each device holds; compare by [`Settings::diff`].
    pub const fn found(&self) -> &[Result<Settings<K>, ReplyError>; N] {
        &self.found
    }
}

impl<const K: usize, const N: usize> Procedure<N> for ReadBack<K, N> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        let mut any = false;
        for (place, found) in commands.iter_mut().zip(&self.found) {
            if let Some(entry) = found.as_ref().ok().and_then(|settings| settings.entries.get(self.index)) {
                *place = Command::read(entry.parameter).on(entry.axis);
                any = true;
            }
        }
        if any { Step::Exchange } else { Step::Done }
    }

    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]) {
        for (found, reply) in self.found.iter_mut().zip(replies) {
            let Ok(settings) = found else {
                continue;
            };
            match (reply, settings.entries.get_mut(self.index)) {
                (Ok(Reply { value: Some(value), .. }), Some(entry)) => entry.value = *value,
                (Err(error), Some(_)) => *found = Err(*error),
                _ => {}
            }
        }
        self.index += 1;
    }
}
