//! Verification: what was sent is asked for again, and what the devices made of it is looked at.
//!
//! ```text
//!   look      peek the status of all             the flags below must be down, or they would tell nothing later
//!   base      read the position                  only for a move by a distance, where it can be checked
//!   send      the commands                       of a take, the flags as in the next line: it brings them down itself
//!   judge     peek the status of all             command rejected, command unknown, CRC mismatch
//!   compare   read back what can be              a written parameter, a target position, an argument in a register, and
//!                                                once more what was read, if only writing changes it
//!   last      peek the status of all             spoilt bits of the exchanges before
//! ```
//!
//! Each line is one exchange for the whole chain, left out where no device has anything to ask. It is a
//! [`Procedure`], so both fronts run it alike.
//!
//! # Which flipped bit is noticed by what
//!
//! Where the map has a status with the three flags. The tests of the whole way spoil every single bit of such calls in
//! turn, in either direction, on the virtual chain; with a check on the wire none goes unnoticed that does harm.
//!
//! | what is spoilt | with a check on the wire | without |
//! | --- | --- | --- |
//! | the request to write a parameter | flag "CRC mismatch" | read back, or flag "command unknown" |
//! | the request to read one that can be written | flag "CRC mismatch" | read twice, or flag |
//! | the request of a move absolute | flag "CRC mismatch" | target position read back, or flag |
//! | the request of a move relative | flag "CRC mismatch" | position before and target position after, or flag |
//! | the request of any other command | flag "CRC mismatch" | flag, if no other command is one bit away |
//! | what comes between the first look and a take | flag "CRC mismatch" in what was taken | flag in what was taken |
//! | filler | flag "CRC mismatch" | flag, if no command is one bit away |
//! | the reply to a read of what can be written | the reply's check | read twice |
//! | another value or status that is asked for | the reply's check | not noticed |
//!
//! # What is not noticed
//!
//! | case | why |
//! | --- | --- |
//! | no check: velocity and direction of a command that is a word (move velocity, search, pulse input) | no register says what was asked for: the ramp is still on its way to it |
//! | no check: a command that is one bit from another, which nothing above tells from it | the other is as good a command; the position shows it later, if at all |
//! | no check: what was read of a value that the device keeps, or of the status | it may have changed meanwhile, so reading it twice tells nothing |
//! | no check: a peek that becomes a take | its reply is right, but what was latched is down afterwards |
//! | no check: of a register's whole content, the other fields than the parameter's | one field is read back |
//! | buffered moves (their words alone are checked) | the target position is that of the motion under way |
//! | registers of the map's own | nobody here knows what reading them does |
//! | a reply's bits that nobody awaits, and padding | nobody reads them: no harm either |
//! | the last peek's request, and filler beside it | the flags that they raise show at the next call, as [`Doubt::Stale`] |
//! | a map without the flags, or without a status | what it does not tell |
//!
//! Of `reference::Latched`, which has no check, single bits in commands that nothing tells:
//!
//! | command | bits | what it becomes |
//! | --- | --- | --- |
//! | move velocity, search for switch | 24 and 1 | another velocity, the other direction |
//! | search for zero, pulse input | 1 | the other direction |
//! | search for zero, down, to save the position | 1 more | a take |
//! | move relative, buffered | 24 and 1 | another distance, the other direction |
//! | home on current position | 1 | a move relative |
//! | return to zero | 2 | a move relative, a return to the probed position |
//! | return to the probed position | 2 | a move relative, a return to zero |
//! | peek | 1 | a take |
//! | take | 2 | a peek, a search for zero, down: the motor moves |
//!
//! Such a move relative takes the filler after it for its distance.
//!
//! # What is repeated
//!
//! [`Retries`] says how often and after which errors. Questions are harmless and are repeated alone. A command is
//! repeated only if it [may arrive twice](crate::Command::may_arrive_twice) and is not buffered: no flag proves that a
//! device has not obeyed, because the spoilt bit may have been in the filler beside the command. After a raised flag
//! nothing is repeated: taking the status, which brings the flag down, would take away what else is latched, and that
//! is the owner's to see. A verified take that shows such a flag fails, and what else it took is lost with its reply: to
//! take what is latched, send the take without verification.

use core::fmt;

use crate::command::{AxisCommand, Command, Prepared};
use crate::map::{Access, BufferMode, Devices, Flag, Layout, Parameter, Register, Request, Source, Verb};
use crate::reply::{Reply, ReplyError, Status};
use crate::units::Value;

use super::error::Error;
use super::procedure::{Procedure, Step};

/// How often, and after what, a verified call tries again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Retries {
    /// How often in one call.
    pub count: u8,
    /// After a failed transfer.
    pub spi_errors: bool,
    /// After a reply that cannot be believed.
    pub reply_errors: bool,
}

impl Retries {
    /// Never.
    pub const NONE: Self = Self::times(0);

    /// So often, after either error.
    #[must_use]
    pub const fn times(count: u8) -> Self {
        Self { count, spi_errors: true, reply_errors: true }
    }
}

/// What has happened in verified calls so far; each count stays at its greatest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Counters {
    /// Calls.
    pub calls: u32,
    /// Exchanges, those that failed included.
    pub exchanges: u32,
    /// Exchanges that were repetitions.
    pub retries: u32,
    /// Failed transfers.
    pub spi_errors: u32,
    /// Replies with a wrong check.
    pub crc_errors: u32,
    /// Replies that could not be believed for another reason.
    pub other_reply_errors: u32,
    /// Commands that a device has refused.
    pub rejected: u32,
    /// Words that a device did not know, or whose check was wrong to it.
    pub not_understood: u32,
    /// Registers that held something else than what was sent.
    pub differing: u32,
}

/// A chain's policy and counters for verified calls: give it to `send_verified`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Verifier {
    retries: Retries,
    counters: Counters,
}

impl Verifier {
    /// Verification with these repetitions.
    #[must_use]
    pub const fn new(retries: Retries) -> Self {
        Self {
            retries,
            counters: Counters {
                calls: 0,
                exchanges: 0,
                retries: 0,
                spi_errors: 0,
                crc_errors: 0,
                other_reply_errors: 0,
                rejected: 0,
                not_understood: 0,
                differing: 0,
            },
        }
    }

    /// What has happened so far.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }
}

/// What speaks against a device's having done what it was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Doubt {
    /// The flag was raised before anything was sent, so that it would tell nothing of the command. Nothing was sent:
    /// take the status first.
    Stale {
        /// The flag.
        flag: Flag,
    },
    /// The device has refused the command.
    Rejected,
    /// The device did not understand something that it was sent; the command may have been obeyed or not.
    NotUnderstood {
        /// "Command unknown" or "CRC mismatch".
        flag: Flag,
    },
    /// A register holds something else than what was sent.
    Differs {
        /// The register's name.
        register: &'static str,
        /// What it should hold, as its code really means it.
        expected: Value,
        /// What it holds.
        found: Value,
    },
    /// A reply cannot be believed.
    Reply(ReplyError),
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Stale { flag } => {
                write!(f, "the flag `{}` was raised before: nothing was sent, take the status first", flag.name())
            }
            Self::Rejected => f.write_str("the device has refused it"),
            Self::NotUnderstood { flag } => {
                write!(f, "the device has raised `{}`: it did not understand all that it was sent", flag.name())
            }
            Self::Differs { register, expected, found } => {
                write!(f, "register `{register}` should hold {expected} and holds {found}")
            }
            Self::Reply(error) => error.fmt(f),
        }
    }
}

/// Why a verified call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum VerifyError<E> {
    /// A command cannot be put into words, in which case nothing was sent, or a transfer failed more often than is put
    /// up with.
    Chain(Error<E>),
    /// A device has, as far as can be seen, not done what it was told. Of several the first; the others have had their
    /// commands too.
    Device {
        /// The device.
        device: usize,
        /// Its command; `None` for filler.
        verb: Option<Verb>,
        /// What speaks against it.
        doubt: Doubt,
    },
}

impl<E: embedded_hal::spi::Error> fmt::Display for VerifyError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Chain(error) => error.fmt(f),
            Self::Device { device, verb, doubt } => {
                write!(f, "device {device}, `{}`: {doubt}", verb.map_or("filler", Verb::name))
            }
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for VerifyError<E> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Chain(error) => error.source(),
            Self::Device { doubt: Doubt::Reply(error), .. } => Some(error),
            Self::Device { .. } => None,
        }
    }
}

/// The flags that speak of a command.
const TELLING: [Flag; 3] = [Flag::CommandRejected, Flag::CommandUnknown, Flag::CrcMismatch];

/// One verified call under way.
#[derive(Debug)]
pub(super) struct Attempt<'a, const N: usize> {
    kinds: Devices,
    verifier: &'a mut Verifier,
    devices: [Device; N],
    stage: Stage,
    retries_left: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Look,
    Base,
    Send,
    Judge,
    Compare,
    Last,
    Over,
}

#[derive(Clone, Copy, Debug)]
struct Device {
    command: AxisCommand,
    /// Whether this stage has a question for it that is not answered.
    is_asked: bool,
    /// The position before a move by a distance.
    base: Option<i64>,
    reply: Reply,
    doubt: Option<Doubt>,
}

impl<'a, const N: usize> Attempt<'a, N> {
    /// Sends nothing yet; refuses what cannot be encoded.
    pub(super) fn new<E>(
        kinds: Devices,
        commands: [AxisCommand; N],
        verifier: &'a mut Verifier,
    ) -> Result<Self, VerifyError<E>> {
        for (device, &command) in commands.iter().enumerate() {
            let prepared = Prepared::new(kinds.layout(device), command);
            prepared.map_err(|error| VerifyError::Chain(Error::Command { device, error }))?;
        }
        let devices = commands.map(|command| Device {
            command,
            is_asked: false,
            base: None,
            reply: Reply::default(),
            doubt: None,
        });
        verifier.counters.calls = verifier.counters.calls.saturating_add(1);
        let retries_left = verifier.retries.count;
        let mut attempt = Self { kinds, verifier, devices, stage: Stage::Look, retries_left };
        attempt.enter(Stage::Look);
        Ok(attempt)
    }

    /// What to make of a step: `None` to go on.
    pub(super) fn after<E>(&mut self, step: Result<Step, Error<E>>) -> Option<Result<[Reply; N], VerifyError<E>>> {
        match step {
            Ok(Step::Done) => {}
            Ok(_) => return None,
            Err(error @ Error::Spi(_)) => {
                let counters = &mut self.verifier.counters;
                counters.exchanges = counters.exchanges.saturating_add(1);
                counters.spi_errors = counters.spi_errors.saturating_add(1);
                let harmless = self.stage != Stage::Send
                    || self.devices.iter().all(|device| !device.is_asked || device.may_repeat());
                if harmless && self.verifier.retries.spi_errors && self.spend_retry() {
                    return None;
                }
                return Some(Err(VerifyError::Chain(error)));
            }
            Err(error) => return Some(Err(VerifyError::Chain(error))),
        }
        let doubted = self.devices.iter().enumerate().find_map(|(device, state)| {
            let doubt = state.doubt?;
            Some(VerifyError::Device { device, verb: state.command.command.verb(), doubt })
        });
        Some(doubted.map_or_else(|| Ok(self.devices.map(|device| device.reply)), Err))
    }

    fn enter(&mut self, stage: Stage) {
        self.stage = stage;
        for (index, device) in self.devices.iter_mut().enumerate() {
            device.is_asked = device.question(self.kinds.layout(index), stage).is_some();
        }
    }

    fn spend_retry(&mut self) -> bool {
        let left = self.retries_left.checked_sub(1);
        if let Some(left) = left {
            self.retries_left = left;
            self.verifier.counters.retries = self.verifier.counters.retries.saturating_add(1);
        }
        left.is_some()
    }

    fn count(&mut self, doubt: &Doubt) {
        let counters = &mut self.verifier.counters;
        let count = match doubt {
            Doubt::Reply(ReplyError::Crc { .. }) => &mut counters.crc_errors,
            Doubt::Reply(_) => &mut counters.other_reply_errors,
            Doubt::Rejected => &mut counters.rejected,
            Doubt::NotUnderstood { .. } => &mut counters.not_understood,
            Doubt::Differs { .. } => &mut counters.differing,
            Doubt::Stale { .. } => return,
        };
        *count = count.saturating_add(1);
    }
}

impl<const N: usize> Procedure<N> for Attempt<'_, N> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        loop {
            if self.stage == Stage::Over {
                return Step::Done;
            }
            if self.devices.iter().any(|device| device.is_asked) {
                break;
            }
            self.enter(self.stage.next());
        }
        for (index, (place, device)) in commands.iter_mut().zip(&self.devices).enumerate() {
            let question = device.question(self.kinds.layout(index), self.stage);
            if let Some(question) = question.filter(|_| device.is_asked) {
                *place = question;
            }
        }
        Step::Exchange
    }

    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]) {
        self.verifier.counters.exchanges = self.verifier.counters.exchanges.saturating_add(1);
        let mut devices = self.devices;
        let mut again = false;
        for (index, (device, reply)) in devices.iter_mut().zip(replies).enumerate().filter(|(_, (it, _))| it.is_asked) {
            let layout = self.kinds.layout(index);
            let outcome = reply.map_err(Doubt::Reply).and_then(|reply| device.judge(layout, self.stage, &reply));
            let Err(doubt) = outcome else {
                device.is_asked = false;
                continue;
            };
            self.count(&doubt);
            let may_repeat = self.stage != Stage::Send || device.may_repeat();
            let repeats = matches!(doubt, Doubt::Reply(_)) && may_repeat && self.verifier.retries.reply_errors;
            // One repetition serves all devices whose replies are spoilt.
            if repeats && (again || self.spend_retry()) {
                again = true;
            } else {
                device.is_asked = false;
                device.doubt = Some(doubt);
            }
        }
        self.devices = devices;
        if !again {
            let is_doubted = self.devices.iter().any(|device| device.doubt.is_some());
            self.enter(if is_doubted { Stage::Over } else { self.stage.next() });
        }
    }
}

impl Stage {
    const fn next(self) -> Self {
        match self {
            Self::Look => Self::Base,
            Self::Base => Self::Send,
            Self::Send => Self::Judge,
            Self::Judge => Self::Compare,
            Self::Compare => Self::Last,
            Self::Last | Self::Over => Self::Over,
        }
    }
}

impl Device {
    fn may_repeat(&self) -> bool {
        self.command.buffer_mode == BufferMode::Aborting && self.command.command.may_arrive_twice()
    }

    /// What it is asked in this stage.
    fn question(&self, layout: &'static Layout, stage: Stage) -> Option<AxisCommand> {
        let axis = self.command.axis;
        match stage {
            Stage::Look | Stage::Judge | Stage::Last => {
                let tells = layout.status.flags.iter().any(|bit| TELLING.contains(&bit.flag));
                (tells && layout.form(Verb::PeekStatus).is_some()).then_some(Command::PeekStatus.on(0))
            }
            Stage::Base => {
                let Command::MoveRelative { .. } = self.command.command else { return None };
                let is_word = matches!(layout.form(Verb::MoveRelative)?.request, Request::Word(_));
                layout.register(Parameter::PositionDemandValue, axis)?;
                (is_word && self.compared(layout).is_some())
                    .then_some(Command::read(Parameter::PositionDemandValue).on(axis))
            }
            Stage::Send => (self.command.command != Command::Filler).then_some(self.command),
            Stage::Compare => {
                self.expected(layout)?;
                Some(Command::read(self.compared(layout)?.parameter).on(axis))
            }
            Stage::Over => None,
        }
    }

    /// The register in which the command can be seen again.
    fn compared(&self, layout: &'static Layout) -> Option<&'static Register> {
        let AxisCommand { axis, command, buffer_mode } = self.command;
        layout.form(Verb::ReadParameter)?;
        if buffer_mode == BufferMode::Buffered {
            return None;
        }
        let request = layout.form(command.verb()?)?.request;
        let parameter = match (command, request) {
            (Command::WriteParameter { parameter, .. } | Command::WriteContent { parameter, .. }, _) => parameter,
            // A setting stays as it is between two reads; what the device keeps does not.
            (Command::ReadParameter { parameter }, _) => {
                let register = layout.register(parameter, axis)?;
                if register.access == Access::ReadOnly || parameter == Parameter::PositionDemandValue {
                    return None;
                }
                parameter
            }
            (_, Request::Writes(writes)) => writes.iter().find(|write| write.source == Source::Argument)?.parameter,
            (Command::MoveAbsolute { .. } | Command::MoveRelative { .. }, Request::Word(_)) => {
                Parameter::TargetPosition
            }
            _ => return None,
        };
        layout.register(parameter, axis).filter(|_| !matches!(parameter, Parameter::Custom(_)))
    }

    /// What that register should hold then.
    fn expected(&self, layout: &'static Layout) -> Option<Value> {
        let register = self.compared(layout)?;
        let request = layout.form(self.command.command.verb()?)?.request;
        let bits = match (self.command.command, request) {
            (Command::WriteParameter { value, .. }, _) => return register.quantised(value).ok(),
            (Command::WriteContent { content, .. }, _) => {
                let code = (content & register.mask()).checked_shr(register.lsb as u32)?;
                return register.value_of(code).ok();
            }
            (Command::ReadParameter { .. }, _) => return self.reply.value,
            (Command::MoveRelative { distance }, Request::Word(_)) => {
                layout.position.wrapped(self.base?.wrapping_add(Value::from(distance).to_bits()))
            }
            (Command::MoveRelative { distance }, _) => Value::from(distance).to_bits(),
            (Command::MoveAbsolute { target, .. }, _) => Value::from(target).to_bits(),
            (
                Command::MoveVelocity { velocity }
                | Command::SearchForSwitch { velocity, .. }
                | Command::SearchForZero { velocity, .. },
                _,
            ) => Value::from(velocity).to_bits(),
            _ => return None,
        };
        let is_magnitude = match request {
            Request::Writes(writes) => writes.iter().any(|write| matches!(write.source, Source::Direction { .. })),
            Request::Word(_) => false,
        };
        let bits = if is_magnitude { bits.saturating_abs() } else { bits };
        register.quantised(Value::from_bits(register.unit, bits).ok()?).ok()
    }

    fn judge(&mut self, layout: &'static Layout, stage: Stage, reply: &Reply) -> Result<(), Doubt> {
        match stage {
            Stage::Look => raised(reply.status).map_or(Ok(()), |flag| Err(Doubt::Stale { flag })),
            Stage::Judge | Stage::Last => well(reply.status),
            Stage::Base => {
                self.base = reply.value.map(|value| value.to_bits());
                Ok(())
            }
            Stage::Send => {
                self.reply = *reply;
                // What it shows it has brought down, so that the peek after it would find nothing. Without the first
                // look the flag may be older than this call.
                let is_take = self.command.command == Command::TakeStatus;
                let looked = self.question(layout, Stage::Look).is_some();
                if is_take && looked { well(reply.status) } else { Ok(()) }
            }
            Stage::Compare => {
                let (Some(register), Some(expected)) = (self.compared(layout), self.expected(layout)) else {
                    return Ok(());
                };
                match reply.value {
                    Some(found) if found == expected => Ok(()),
                    Some(found) => Err(Doubt::Differs { register: register.name, expected, found }),
                    None => Err(Doubt::Reply(ReplyError::Malformed)),
                }
            }
            Stage::Over => Ok(()),
        }
    }
}

/// Whether no flag speaks against what was sent.
fn well(status: Option<Status>) -> Result<(), Doubt> {
    match raised(status) {
        None => Ok(()),
        Some(Flag::CommandRejected) => Err(Doubt::Rejected),
        Some(flag) => Err(Doubt::NotUnderstood { flag }),
    }
}

/// The first raised flag that speaks of a command; what was not understood comes before what was refused.
fn raised(status: Option<Status>) -> Option<Flag> {
    let status = status?;
    let is_raised = |flag: &Flag| status.raised().any(|(raised, _)| raised == *flag);
    TELLING.into_iter().rev().find(|flag| is_raised(flag))
}
