//! A chain under the driver, as the laws need it: one call and its reply, branches, ways to set an axis going.

use embedded_hal::spi::SpiDevice;
use stepchain::map::{
    Access, BridgeState, BufferMode, Coding, CommandForm, Flaw, Layout, MotionState, Parameter, Piece, Register,
    Request, SharedWrite, Source, StopRamp, Verb, Way,
};
use stepchain::units::{Distance, Position, Unit, Value, Velocity};
use stepchain::{AxisCommand, Codec, Command, Pending, Reply};

use crate::chain::VirtualChain;
use crate::decode::Dictionary;
use crate::device::{Event, EventKind};

/// Longer than anything takes that ends: three hundred years of virtual time would not fit twice.
pub(super) const PATIENCE_NS: u64 = 4_000_000_000_000_000_000;

/// A chain of two devices or more, and the driver that speaks to it.
#[derive(Debug)]
pub(super) struct Rig {
    pub(super) map: &'static Layout,
    pub(super) chain: VirtualChain,
    pub(super) codec: Codec,
    pub(super) devices: usize,
    /// The device that is spoken to: not the first one, so that a wrong order shows.
    pub(super) target: usize,
}

impl Rig {
    pub(super) fn new(map: &'static Layout, device: &'static Layout) -> Result<Self, Flaw> {
        let codec = Codec::new(map)?;
        // Eight devices are whole bytes whatever the unit.
        let devices = (2..=8).find(|&devices| map.can_frame(devices) && device.can_frame(devices)).unwrap_or(8);
        let chain = VirtualChain::new(device, devices)?;
        Ok(Self { map, chain, codec, devices, target: 1 })
    }

    /// The same in a branch of its own.
    pub(super) fn fork(&self) -> Self {
        Self { chain: self.chain.fork(), ..*self }
    }

    /// The same with a driver that has another map.
    pub(super) fn with_map(&self, map: &'static Layout) -> Result<Self, Flaw> {
        Ok(Self { map, codec: Codec::new(map)?, ..self.fork() })
    }

    /// Sends one command to each device, behind so many idle frames, and reads the replies.
    pub(super) fn call(&self, commands: &[AxisCommand], idle: u16) -> Result<Vec<Result<Reply, String>>, String> {
        let mut pending = vec![Pending::default(); commands.len()];
        let mut buffer = vec![0; self.codec.frame_bytes(commands.len())];
        let talk = self.codec.begin(commands, &mut pending, &mut buffer).map_err(|error| error.to_string())?;
        let mut talk = talk.after_idle(idle);
        let mut spi = self.chain.spi();
        while let Some(frame) = talk.next_frame() {
            let Ok(()) = spi.transfer_in_place(frame);
            talk.came_back();
        }
        let reply = |device| talk.reply(device).unwrap_or(Ok(Reply::default())).map_err(|error| error.to_string());
        Ok((0..commands.len()).map(reply).collect())
    }

    /// Sends a command to the target and filler to all others.
    pub(super) fn to_target(&self, command: AxisCommand) -> Result<Reply, String> {
        let mut commands = vec![AxisCommand::default(); self.devices];
        commands[self.target] = command;
        self.call(&commands, 0)?.swap_remove(self.target)
    }

    /// As [`to_target`](Self::to_target); what has happened to the target by that.
    pub(super) fn events_of(&self, command: AxisCommand) -> Result<Vec<EventKind>, String> {
        let mark = self.chain.event_count();
        self.to_target(command)?;
        Ok(self.target_events(mark))
    }

    /// What has happened to the target since a mark.
    pub(super) fn target_events(&self, mark: usize) -> Vec<EventKind> {
        let of_target = |event: &Event| event.device == Some(self.target);
        self.chain.events_since(mark).into_iter().filter(of_target).map(|event| event.kind).collect()
    }

    /// Whether a motion of an axis of the target has arrived since a mark.
    pub(super) fn has_arrived_since(&self, axis: u8, mark: usize) -> bool {
        let is_arrival = |kind: &EventKind| matches!(kind, EventKind::TargetReached { axis: of, .. } if *of == axis);
        self.target_events(mark).iter().any(is_arrival)
    }

    /// Whether an axis of the target has arrived, and has begun nothing since.
    pub(super) fn has_arrived_last(&self, axis: u8) -> bool {
        let events = self.target_events(0);
        let last = events.iter().rev().find(|kind| {
            matches!(kind, EventKind::MotionStateChanged { axis: of, .. } | EventKind::TargetReached { axis: of, .. } if *of == axis)
        });
        matches!(last, Some(EventKind::TargetReached { .. }))
    }

    /// Sends so many frames of filler.
    pub(super) fn idle(&self, frames: u16) -> Result<(), String> {
        self.call(&vec![AxisCommand::default(); self.devices], frames).map(|_| ())
    }

    /// The code that a field of the target holds.
    pub(super) fn held(&self, register: &Register) -> u32 {
        self.held_by(self.target, register)
    }

    pub(super) fn held_by(&self, device: usize, register: &Register) -> u32 {
        (self.chain.read_register(device, register.address) & register.mask()) >> register.lsb
    }

    /// What all registers of all devices hold, in the order of the map.
    pub(super) fn contents(&self) -> Vec<Vec<u32>> {
        let of = |device| {
            let held = self.chain.registers(device);
            let field = |register: &Register| {
                (held.get(&register.address).copied().unwrap_or(0) & register.mask()) >> register.lsb
            };
            self.map.registers.iter().map(field).collect()
        };
        (0..self.devices).map(of).collect()
    }

    /// The command by which the driver writes a code to a field while all else in its register is as it is held.
    pub(super) fn write_of(&self, register: &Register, code: u32) -> Result<AxisCommand, String> {
        let parameter = register.parameter;
        let is_by_shadow = self.map.wire.shared_write == SharedWrite::Shadow && self.map.is_shared(register.address);
        let command = if is_by_shadow {
            let held =
                self.chain.read_register(self.target, register.address) & self.map.content_mask(register.address);
            Command::WriteContent { parameter, content: held & !register.mask() | register.content(code) }
        } else {
            Command::WriteParameter { parameter, value: register.value_of(code).map_err(|error| error.to_string())? }
        };
        Ok(command.on(register.axis))
    }

    /// The axis of the target as tests count it.
    pub(super) fn position(&self, axis: u8) -> i64 {
        self.chain.position(self.target, axis.into())
    }

    pub(super) fn velocity(&self, axis: u8) -> f64 {
        self.chain.velocity_steps_per_s(self.target, axis.into())
    }

    pub(super) fn is_moving(&self, axis: u8) -> bool {
        self.chain.is_moving(self.target, axis.into())
    }

    pub(super) fn phase(&self, axis: u8) -> MotionState {
        self.chain.engine(self.target, axis.into()).phase(self.chain.now_ns())
    }

    /// Lets time pass until the phase of the axis changes; whether it ever does.
    pub(super) fn next_phase(&self, axis: u8) -> bool {
        let now_ns = self.chain.now_ns();
        let change = self.chain.engine(self.target, axis.into()).next_phase_change_after(now_ns);
        change.inspect(|change_ns| self.chain.advance_ns(change_ns - now_ns)).is_some()
    }

    pub(super) fn run_until_still(&self) -> bool {
        self.chain.run_until_still(PATIENCE_NS)
    }

    /// Puts ramps into the registers that carry them, so that a motion is neither impossible nor endless.
    pub(super) fn prepare(&self) {
        let wanted = [
            (Parameter::MaxProfileVelocity, f64::MAX),
            (Parameter::ProfileVelocity, 64.0),
            (Parameter::ProfileAcceleration, 256.0),
            (Parameter::ProfileDeceleration, 256.0),
            (Parameter::QuickStopDeceleration, 1024.0),
            (Parameter::StartStopVelocity, 0.0),
        ];
        for (parameter, wanted) in wanted {
            for register in self.map.registers.iter().filter(|register| register.parameter == parameter) {
                if register.access != Access::ReadOnly
                    && let Some(value) = moderate(&register.coding, register.unit, wanted)
                    && let Ok(code) = register.coding.code_of(value, register.unit)
                    && let Ok(command) = self.write_of(register, code)
                {
                    // What the device does not take is found by the law on codes.
                    let _ = self.to_target(command);
                }
            }
        }
    }

    /// Drives the bridge of an axis, if the map has a stop that does.
    pub(super) fn drive(&self, axis: u8) -> bool {
        for ramp in [StopRamp::Profile, StopRamp::Quick, StopRamp::None] {
            let _ = self.to_target(Command::Stop { ramp, bridge: BridgeState::Driven }.on(axis));
            if self.chain.bridge_state(self.target, axis.into()) == BridgeState::Driven {
                return true;
            }
        }
        false
    }

    /// Sets an axis going upwards (or downwards) by the first command that does, with the bridge driven before if it has
    /// to be; whether it moves.
    pub(super) fn set_going(&self, axis: u8, upwards: bool) -> bool {
        for driven in [false, true] {
            if driven && !self.drive(axis) {
                return false;
            }
            // An absolute move by a given way goes that way, wherever its target is.
            let is_mover = |form: &&CommandForm| {
                let by_way = matches!(form.verb, Verb::MoveAbsolute(Way::Positive | Way::Negative));
                form.buffer_mode == BufferMode::Aborting && !by_way
            };
            for form in self.map.commands.iter().filter(is_mover) {
                if let Some(command) = self.motion(form, axis, upwards) {
                    let _ = self.to_target(command);
                    if self.is_moving(axis) {
                        return true;
                    }
                }
            }
        }
        false
    }

    /// The move of a form upwards or downwards, if it is one, by an argument of middle size.
    pub(super) fn motion(&self, form: &CommandForm, axis: u8, upwards: bool) -> Option<AxisCommand> {
        let wanted = match form.verb {
            Verb::MoveVelocity | Verb::SearchForSwitch(_) | Verb::SearchForZero(_) => 32.0,
            Verb::MoveRelative | Verb::MoveAbsolute(_) => self.reach(),
            _ => return None,
        };
        let bits = self.argument(form, axis, if upwards { wanted } else { -wanted })?;
        let command = match form.verb {
            Verb::MoveVelocity => Command::MoveVelocity { velocity: Velocity::from_bits(bits).ok()? },
            Verb::MoveRelative => Command::MoveRelative { distance: Distance::from_bits(bits).ok()? },
            Verb::MoveAbsolute(way) => Command::MoveAbsolute { target: Position::from_bits(bits).ok()?, way },
            _ => return None,
        };
        Some(AxisCommand { buffer_mode: form.buffer_mode, ..command.on(axis) })
    }

    /// Microsteps that every counter has room for, in either direction.
    pub(super) fn reach(&self) -> f64 {
        (self.map.position.range().1 / 3).clamp(1, 4096) as f64
    }

    /// The fixed-point bits of an argument near to a wanted one, as the form's codes can mean it.
    pub(super) fn argument(&self, form: &CommandForm, axis: u8, wanted: f64) -> Option<i64> {
        let unit = form.verb.argument()?;
        let Some((coding, apart)) = argument_of(self.map, form, axis) else {
            // It only takes the direction.
            return Some((wanted * scale(unit)) as i64);
        };
        let magnitude = moderate(&coding, unit, if apart { wanted.abs() } else { wanted })?;
        Some(if apart && wanted < 0.0 { -magnitude } else { magnitude })
    }

    /// What the devices decode a single unit as, of those that begin no longer word.
    pub(super) fn unit_that(&self, is_wanted: impl Fn(&crate::decode::Decoded) -> bool) -> Option<u64> {
        let dictionary = Dictionary::new(self.chain.layout());
        let mask = u64::MAX >> (64 - u32::from(self.map.wire.unit_bits.clamp(1, 64)));
        // Any sequence that leaves no part of a word out will do; these are the odd multiples of a large odd number.
        let candidates = (0u64..4096).map(|index| index.wrapping_mul(0x9E37_79B9_7F4A_7C15).rotate_left(29) & mask);
        [0, mask].into_iter().chain(candidates).find(|unit| {
            let decoded = crate::decode::Assembler::new().push(*unit, &dictionary);
            is_wanted(&decoded)
        })
    }

    /// Shifts the same unit into every device.
    pub(super) fn shift_unit(&self, unit: u64) {
        use crate::wire::BusEvent;
        let width = u32::from(self.map.wire.unit_bits);
        let bit = |place: u32| match self.map.wire.bit_order {
            stepchain::map::BitOrder::MsbFirst => unit >> (width - 1 - place) & 1 == 1,
            stepchain::map::BitOrder::LsbFirst => unit >> place & 1 == 1,
        };
        let bits: Vec<_> = (0..self.devices).flat_map(|_| (0..width).map(bit)).collect();
        // As far from the selection before as the map asks.
        self.chain.advance_ns(u64::from(self.map.wire.min_deselect_ns));
        for event in [BusEvent::Select, BusEvent::Bits(&bits), BusEvent::Deselect] {
            self.chain.drive(event);
        }
    }
}

/// How a form codes its argument, if it has one, and whether the sign is sent apart.
pub(super) fn argument_of(layout: &Layout, form: &CommandForm, axis: u8) -> Option<(Coding, bool)> {
    match form.request {
        Request::Word(pieces) => {
            let coding = pieces.iter().find_map(|piece| match *piece {
                Piece::Velocity { coding, .. } | Piece::Distance { coding, .. } | Piece::Position { coding, .. } => {
                    Some(coding)
                }
                _ => None,
            })?;
            Some((coding, pieces.iter().any(|piece| matches!(piece, Piece::Direction { .. }))))
        }
        Request::Writes(writes) => {
            let write = writes.iter().find(|write| write.source == Source::Argument)?;
            let apart = writes.iter().any(|write| matches!(write.source, Source::Direction { .. }));
            Some((layout.register(write.parameter, axis)?.coding, apart))
        }
    }
}

/// The value that a code really has which is nearest to a wanted one, in fixed-point bits. Where that is nothing or of the
/// other sign, the least one on the right side of nothing; `None` where there is none.
pub(super) fn moderate(coding: &Coding, unit: Unit, wanted: f64) -> Option<i64> {
    let (min, max) = coding.limits(unit);
    let quantised = |bits: i64| coding.code_of(bits, unit).ok().and_then(|code| coding.value_of(code, unit).ok());
    let is_right = |bits: &i64| if wanted < 0.0 { *bits < 0 } else { *bits > 0 };
    let first = quantised(((wanted * scale(unit)) as i64).clamp(min, max))?;
    if is_right(&first) || first == 0 && wanted == 0.0 {
        return Some(first);
    }
    let end = if wanted < 0.0 { min } else { max };
    // Halved until it vanishes: the last that did not.
    let sizes = std::iter::successors(Some(end), |bits| Some(bits / 2)).take_while(|bits| *bits != 0);
    sizes.map_while(quantised).take_while(is_right).last()
}

/// Fixed-point bits in one of a unit.
pub(super) fn scale(unit: Unit) -> f64 {
    (1u64 << unit.fraction_bits()) as f64
}

/// A value as a number in its unit.
pub(super) fn number(value: Value) -> f64 {
    value.to_bits() as f64 / scale(value.unit())
}

/// Whether a register shows what the axis does, rather than what was written.
pub(super) fn is_live(parameter: Parameter) -> bool {
    matches!(
        parameter,
        Parameter::PositionDemandValue
            | Parameter::PositionActualValue
            | Parameter::TargetPosition
            | Parameter::ProbedPosition
            | Parameter::VelocityDemandValue
            | Parameter::ElectricalAngle
    )
}
