//! One device of a verified call: what it is asked in each stage, and what its answer says of its command.

use crate::command::{AxisCommand, Command};
use crate::map::{Access, BufferMode, Flag, Layout, Parameter, Register, Request, Source, Verb};
use crate::reply::{Reply, ReplyError, Status};
use crate::units::Value;

use super::Doubt;
use super::attempt::Stage;
use crate::chain::refusal::{Looks, TELLING, obstacle, raised};

/// What is known of one device's part of the call.
#[derive(Clone, Copy, Debug)]
pub(super) struct Device {
    pub(super) command: AxisCommand,
    /// Whether this stage has a question for it that is not answered.
    pub(super) is_asked: bool,
    /// The position before a move by a distance.
    base: Option<i64>,
    pub(super) reply: Reply,
    pub(super) doubt: Option<Doubt>,
}

impl Device {
    pub(super) fn new(command: AxisCommand) -> Self {
        Self { command, is_asked: false, base: None, reply: Reply::default(), doubt: None }
    }

    pub(super) fn may_repeat(&self) -> bool {
        self.command.buffer_mode == BufferMode::Aborting && self.command.command.may_arrive_twice()
    }

    /// What it is asked in this stage.
    pub(super) fn question(&self, layout: &'static Layout, stage: Stage) -> Option<AxisCommand> {
        let axis = self.command.axis;
        match stage {
            Stage::Look | Stage::Judge | Stage::Last => {
                let tells = layout.status.flags.iter().any(|bit| TELLING.contains(&bit.flag));
                let foresees = stage == Stage::Look && Looks::of(layout, self.command).before;
                ((tells || foresees) && layout.form(Verb::PeekStatus).is_some()).then_some(Command::PeekStatus.on(0))
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

    pub(super) fn judge(&mut self, layout: &'static Layout, stage: Stage, reply: &Reply) -> Result<(), Doubt> {
        match stage {
            Stage::Look => {
                if let Some(flag) = any_raised(reply.status) {
                    return Err(Doubt::Stale { flag });
                }
                let foresees = Looks::of(layout, self.command).before;
                let status = reply.status.filter(|_| foresees);
                let found = status.and_then(|status| obstacle(layout, self.command, &status));
                found.map_or(Ok(()), |obstacle| Err(Doubt::NotNow { obstacle }))
            }
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
    match any_raised(status) {
        None => Ok(()),
        Some(Flag::CommandRejected) => Err(Doubt::Rejected),
        Some(flag) => Err(Doubt::NotUnderstood { flag }),
    }
}

/// A raised flag that speaks of a command, of whichever axis.
fn any_raised(status: Option<Status>) -> Option<Flag> {
    raised(&status?, |_| true)
}
