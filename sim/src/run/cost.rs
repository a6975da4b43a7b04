//! How few bytes a call can take, worked out from the map alone: the yardstick for the driver's encoder.
//!
//! In one frame each device takes one unit. A call in which all commands take effect on the same edge needs as many
//! frames as its longest command has units, and as many more as its longest awaited reply. A frame is the units of all
//! devices, rounded up to bytes. Fewer is not possible:
//!
//! ```text
//!   bytes = (longest command + longest reply, in units) · ⌈devices · unit bits / 8⌉
//! ```
//!
//! A field that shares its register with others costs a read, its reply and a write, since the others must stay. A
//! reply is awaited where a question is asked, and where the wire gives the reply slots of its own.

use stepchain::map::{CommandForm, Layout, Piece, ReplyTiming, Request, Verb};
use stepchain::{AxisCommand, Command};

/// Units of the longest command and of the longest awaited reply of one call.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cost {
    /// Units from the first of the longest command to the last of all commands.
    pub request: u64,
    /// Units of the longest reply.
    pub reply: u64,
}

impl Cost {
    /// What one call with these commands costs at least; the commands are such as the map has.
    #[must_use]
    pub fn of(layout: &Layout, commands: &[AxisCommand]) -> Self {
        let costs = commands.iter().filter_map(|&command| one(layout, command));
        costs.fold(Self::default(), |most, cost| Self {
            request: most.request.max(cost.request),
            reply: most.reply.max(cost.reply),
        })
    }

    /// Bytes of the call on a chain of `devices`.
    #[must_use]
    pub fn bytes(self, layout: &Layout, devices: usize) -> u64 {
        let frame_bits = devices as u64 * u64::from(layout.wire.unit_bits);
        (self.request + self.reply) * frame_bits.div_ceil(8)
    }
}

fn one(layout: &Layout, asked: AxisCommand) -> Option<Cost> {
    let AxisCommand { axis, command, buffer_mode } = asked;
    let form = layout.form_in(command.verb()?, buffer_mode)?;
    let address = match command {
        Command::ReadParameter { parameter } | Command::WriteParameter { parameter, .. } => {
            layout.register(parameter, axis)?.address
        }
        _ => 0,
    };
    let has_slots = layout.wire.reply_timing == ReplyTiming::SameSlots;
    let slots = |form: &CommandForm, address| if has_slots { units(layout, form.reply, address) } else { 0 };
    match form.request {
        Request::Word(pieces) => {
            let is_question = matches!(form.verb, Verb::ReadParameter | Verb::PeekStatus | Verb::TakeStatus);
            let reply = if is_question { units(layout, form.reply, address) } else { slots(form, address) };
            let mut request = units(layout, pieces, address);
            let sharers = layout.registers.iter().filter(|register| register.address == address).count();
            if form.verb == Verb::WriteParameter && sharers > 1 {
                let read = layout.form(Verb::ReadParameter)?;
                let Request::Word(question) = read.request else {
                    return None;
                };
                request += units(layout, question, address) + units(layout, read.reply, address);
            }
            Some(Cost { request, reply })
        }
        Request::Writes(writes) => {
            let form = layout.form(Verb::WriteParameter)?;
            let Request::Word(pieces) = form.request else {
                return None;
            };
            let address_of = |parameter| layout.register(parameter, axis).map(|register| register.address);
            let addresses = writes.iter().map(|write| address_of(write.parameter)).collect::<Option<Vec<_>>>()?;
            let (&last, before) = addresses.split_last()?;
            let before = before.iter().map(|&address| units(layout, pieces, address) + slots(form, address));
            Some(Cost { request: before.sum::<u64>() + units(layout, pieces, last), reply: slots(form, last) })
        }
    }
}

/// Units that pieces take when they speak of the register at `address`.
fn units(layout: &Layout, pieces: &[Piece], address: u16) -> u64 {
    let unit = u64::from(layout.wire.unit_bits);
    let fields = layout.registers.iter().filter(|register| register.address == address);
    let content = fields.map(|register| u64::from(register.lsb) + u64::from(register.coding.width)).max().unwrap_or(0);
    let bits = pieces.iter().map(|piece| match piece {
        Piece::DataByRegister => content.div_ceil(unit) * unit,
        piece => u64::from(piece.width(0)),
    });
    bits.sum::<u64>().div_ceil(unit)
}

#[cfg(test)]
mod tests {
    use stepchain::map::{BridgeState, Parameter, Register, RegisterMap, StatusLayout, StopRamp, Wire};
    use stepchain::reference::{FixedWord, Latched};
    use stepchain::units::{Amplitude, Distance, Velocity};

    use super::*;

    const STOP: Command = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };

    fn cost(layout: &Layout, commands: &[Command]) -> (u64, u64) {
        let commands: Vec<_> = commands.iter().map(|command| command.on(0)).collect();
        let Cost { request, reply } = Cost::of(layout, &commands);
        (request, reply)
    }

    /// By hand, from the drawing of the latched map: a stop is one unit, a move two, a read of 24 bits one and two more.
    #[test]
    fn a_call_costs_its_longest_command_and_its_longest_reply() {
        let layout = &Latched::LAYOUT;
        let relative = Command::MoveRelative { distance: Distance::from_microsteps(1) };
        assert_eq!(cost(layout, &[Command::Filler, STOP]), (1, 0));
        assert_eq!(cost(layout, &[relative, STOP]), (2, 0));
        assert_eq!(cost(layout, &[relative, Command::read(Parameter::TargetPosition)]), (2, 2));
        assert_eq!(Cost { request: 2, reply: 2 }.bytes(layout, 3), 24);
    }

    /// By hand: amplitudes of 9 + 9 bits share 32 bits: a read is 1 + 2 units, a write 3.
    #[test]
    fn a_field_beside_others_costs_a_read_and_a_write() {
        let write = Command::write(Parameter::AcceleratingAmplitude, Amplitude::ZERO);
        assert_eq!(cost(&Latched::LAYOUT, &[write]), (6, 0));
    }

    /// By hand: a move is two words; a read is one and its reply comes with the next.
    #[test]
    fn replies_that_nobody_awaits_cost_nothing_where_they_come_in_the_next_frame() {
        let layout = &FixedWord::LAYOUT;
        let relative = Command::MoveRelative { distance: Distance::from_microsteps(1) };
        assert_eq!(cost(layout, &[relative, STOP]), (2, 0));
        assert_eq!(cost(layout, &[Command::PeekStatus]), (1, 1));
        assert_eq!(Cost { request: 1, reply: 1 }.bytes(layout, 3), 36);
    }

    /// Eight-bit units; axis 1 has a wider register, and a stop is answered with the status.
    const UNLIKE: Layout = Layout::new("unlike", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
        .axes(2)
        .registers(&[
            Register::new(Parameter::ProfileVelocity, 1, 8),
            Register::new(Parameter::ProfileVelocity, 2, 16).axis(1),
        ])
        .commands(&[
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 1), Piece::address(4), Piece::DataByRegister]),
            CommandForm::word(
                Verb::Stop(StopRamp::Quick, BridgeState::Driven),
                &[Piece::fixed(7, 0x40), Piece::axis(1)],
            )
            .reply(&[Piece::status(16)]),
        ])
        .status(StatusLayout::new(16, &[]));

    /// By hand: a write is a unit and one of content, or two of axis 1; a stop is one and its reply two.
    #[test]
    fn a_write_costs_what_its_axis_takes_and_a_reply_its_slots_though_nobody_asked() {
        assert_eq!(UNLIKE.validate(), Ok(()));
        let write = Command::write(Parameter::ProfileVelocity, Velocity::ZERO);
        let cost = |command| Cost::of(&UNLIKE, &[command]);
        assert_eq!(cost(write.on(0)), Cost { request: 2, reply: 0 });
        assert_eq!(cost(write.on(1)), Cost { request: 3, reply: 0 });
        assert_eq!(cost(STOP.on(1)), Cost { request: 1, reply: 2 });
    }
}
