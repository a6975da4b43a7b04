//! A little machine to home: axes with ramps, switches and stops that answer commands, with no bus between.

extern crate std;
use core::ops::Range;
use core::time::Duration;
use std::vec::Vec;

use crate::chain::{Procedure, Step};
use crate::command::{AxisCommand, Command};
use crate::homing::Homing;
use crate::map::{EdgeAction, Flag, Layout, MotionState, Parameter, Polarity};
use crate::reply::{Reply, ReplyError, Status};
use crate::units::{Position, Value, Velocity};

pub(super) const MICROSTEPS: f64 = 16.0;
/// Microsteps/s², and the greatest speed of moves in microsteps/s.
const SLOPE: f64 = 6000.0 * MICROSTEPS;
const PROFILE_VELOCITY: f64 = 500.0 * MICROSTEPS;
const TICK: Duration = Duration::from_micros(50);
/// What one exchange takes.
pub(super) const EXCHANGE: Duration = Duration::from_micros(100);
/// No homing of these tests may take longer.
const FOR_EVER: Duration = Duration::from_secs(300);

#[derive(Clone, Copy, Debug, PartialEq)]
enum Motion {
    Turn(f64),
    Search { velocity: f64, closed: bool, action: EdgeAction },
    Go(i64),
}

/// One crossing of an edge of the switch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Crossing {
    pub(super) into: bool,
    /// Full steps/s, signed.
    pub(super) velocity: f64,
}

#[derive(Clone, Debug)]
pub(super) struct Machine {
    /// Where the device takes it to be, in microsteps of a scale that nothing resets.
    pub(super) place: f64,
    /// Where the rotor is, less that: other than zero once a stop has held it.
    pub(super) slip: f64,
    /// Where on that scale the counter is zero.
    pub(super) zero: i64,
    /// Where the switch is pressed.
    pub(super) switch: Range<f64>,
    pub(super) normally_closed: bool,
    /// Where the mechanical stops are.
    pub(super) stops: Range<f64>,
    /// Motion commands are lost.
    pub(super) is_deaf: bool,
    /// So many stops are lost.
    pub(super) lost_stops: usize,
    /// The status says that it stands, whatever it does.
    pub(super) is_said_to_stand: bool,
    pub(super) raised: Vec<Flag>,
    pub(super) crossings: Vec<Crossing>,
    pub(super) commands: Vec<Command>,
    probed: i64,
    velocity: f64,
    motion: Motion,
}

impl Machine {
    /// Stands at `place`, with its switch pressed over this range, and its counter at some other number.
    pub(super) fn at(place: i64, switch: Range<f64>) -> Self {
        Self {
            place: place as f64,
            slip: 0.0,
            zero: -777,
            switch,
            normally_closed: false,
            stops: f64::NEG_INFINITY..f64::INFINITY,
            is_deaf: false,
            lost_stops: 0,
            is_said_to_stand: false,
            raised: [Flag::ResetOccurred, Flag::CommandRejected, Flag::StallA, Flag::SwitchEvent].to_vec(),
            crossings: Vec::new(),
            commands: Vec::new(),
            probed: 0,
            velocity: 0.0,
            motion: Motion::Turn(0.0),
        }
    }

    pub(super) fn stands(&self) -> bool {
        self.velocity == 0.0 && matches!(self.motion, Motion::Turn(0.0))
    }

    pub(super) fn turn(&mut self, steps_per_s: f64) {
        self.motion = Motion::Turn(steps_per_s * MICROSTEPS);
    }

    fn is_pressed(&self) -> bool {
        self.switch.contains(&(self.place + self.slip))
    }

    fn input_closed(&self) -> bool {
        self.is_pressed() != self.normally_closed
    }

    fn microstep(&self) -> i64 {
        self.place.round() as i64
    }

    fn raise(&mut self, flag: Flag) {
        if !self.raised.contains(&flag) {
            self.raised.push(flag);
        }
    }

    fn tick(&mut self) {
        let seconds = TICK.as_secs_f64();
        let wanted = match self.motion {
            Motion::Turn(velocity) | Motion::Search { velocity, .. } => velocity,
            Motion::Go(target) => {
                let way = target as f64 - self.place;
                // As fast as still lets it brake in time.
                (2.0 * SLOPE * way.abs()).sqrt().min(PROFILE_VELOCITY).copysign(way)
            }
        };
        let step = SLOPE * seconds;
        self.velocity += (wanted - self.velocity).clamp(-step, step);
        let (was_pressed, was_closed) = (self.is_pressed(), self.input_closed());
        self.place += self.velocity * seconds;
        let rotor = self.place + self.slip;
        let held = rotor.clamp(self.stops.start, self.stops.end);
        if held != rotor {
            self.slip = held - self.place;
            self.raise(Flag::StallA);
        }
        if was_pressed != self.is_pressed() {
            let velocity = self.velocity / MICROSTEPS;
            self.crossings.push(Crossing { into: !was_pressed, velocity });
        }
        if !was_closed && self.input_closed() {
            self.raise(Flag::SwitchEvent);
        }
        match self.motion {
            Motion::Go(target) if (target as f64 - self.place).abs() < 0.6 && self.velocity.abs() <= 25.0 * step => {
                (self.place, self.velocity, self.motion) = (target as f64, 0.0, Motion::Turn(0.0));
            }
            Motion::Search { closed, action, .. } if self.input_closed() == closed => {
                self.motion = Motion::Turn(0.0);
                match action {
                    EdgeAction::Zero => self.zero = self.microstep(),
                    EdgeAction::Probe => self.probed = self.microstep(),
                }
            }
            Motion::Turn(0.0) if self.velocity == 0.0 => self.place = self.place.round(),
            _ => {}
        }
    }

    fn obey(&mut self, command: Command, layout: &'static Layout) -> Reply {
        let speed = |velocity: Velocity| velocity.to_bits() as f64 / 4096.0 * MICROSTEPS;
        let shown = |count| Some(Value::Position(Position::from_microsteps(count as i32)));
        let wrapped = |count| layout.position.wrapped(count);
        let mut reply = Reply::default();
        match command {
            Command::ReadParameter { parameter: Parameter::PositionDemandValue } => {
                reply.value = shown(wrapped(self.microstep() - self.zero));
            }
            Command::ReadParameter { parameter: Parameter::ProbedPosition } => {
                reply.value = shown(wrapped(self.probed - self.zero));
            }
            Command::PeekStatus => {}
            Command::TakeStatus => self.raised.retain(|&flag| flag == Flag::Overcurrent),
            Command::Stop { .. } if self.lost_stops > 0 => self.lost_stops -= 1,
            Command::Stop { .. } => self.motion = Motion::Turn(0.0),
            _ if self.is_deaf => {}
            Command::MoveVelocity { velocity } => self.motion = Motion::Turn(speed(velocity)),
            Command::SearchForSwitch { velocity, action } => {
                self.motion = Motion::Search { velocity: speed(velocity), closed: true, action };
            }
            Command::SearchForZero { velocity, action } => {
                self.motion = Motion::Search { velocity: speed(velocity), closed: false, action };
            }
            Command::MoveAbsolute { .. } | Command::MoveRelative { .. } | Command::HomeOnCurrentPosition
                if !self.stands() =>
            {
                self.raised.push(Flag::CommandRejected);
            }
            Command::MoveAbsolute { target, .. } => {
                let way = wrapped(target.to_bits() - (self.microstep() - self.zero));
                self.motion = Motion::Go(self.microstep() + way);
            }
            Command::MoveRelative { distance } => self.motion = Motion::Go(self.microstep() + distance.to_bits()),
            Command::HomeOnCurrentPosition => self.zero = self.microstep(),
            other => panic!("homing has no use for {other:?}"),
        }
        reply
    }

    /// The bits of the status word that speak of this machine, as this axis of its device.
    fn status(&self, layout: &'static Layout, axis: u8) -> u64 {
        let stands = self.stands() || self.is_said_to_stand;
        let mut word = 0;
        for bit in layout.status.flags.iter().filter(|bit| bit.axis == axis) {
            let is_raised = match bit.flag {
                Flag::Busy => !stands,
                Flag::HomeSwitch => self.input_closed(),
                flag => self.raised.contains(&flag),
            };
            word |= u64::from(is_raised == (bit.polarity == Polarity::ActiveHigh)) << bit.bit;
        }
        for state in layout.status.motion_states.iter().filter(|state| state.axis == axis) {
            let is = if stands { MotionState::Standstill } else { MotionState::ConstantVelocity };
            word |= u64::from(state.code_of(is)) << state.field.lsb;
        }
        word
    }
}

/// Machines on one chain, a clock, and what goes wrong between them and the driver.
#[derive(Clone, Debug)]
pub(super) struct World<const N: usize> {
    pub(super) layout: &'static Layout,
    /// Axis 0 of each device.
    pub(super) machines: [Machine; N],
    /// Axis 1 of each device, where it has one.
    pub(super) second: Vec<Machine>,
    pub(super) now: Duration,
    pub(super) exchanges: usize,
    /// Exchanges, counted from 0, whose replies from device 0 are damaged.
    pub(super) damaged: Range<usize>,
    /// When device 0 starts anew.
    pub(super) reset_at: Duration,
}

impl<const N: usize> World<N> {
    pub(super) fn new(layout: &'static Layout, machines: [Machine; N]) -> Self {
        Self {
            layout,
            machines,
            second: Vec::new(),
            now: Duration::ZERO,
            exchanges: 0,
            damaged: 0..0,
            reset_at: Duration::MAX,
        }
    }

    pub(super) fn advance(&mut self, time: Duration) {
        let end = self.now + time;
        while self.now < end {
            self.now += TICK;
            if let [first, ..] = &mut self.machines[..]
                && self.now >= self.reset_at
            {
                self.reset_at = Duration::MAX;
                (first.velocity, first.motion, first.zero) = (0.0, Motion::Turn(0.0), first.microstep());
                first.raised.push(Flag::ResetOccurred);
            }
            self.machines.iter_mut().chain(&mut self.second).for_each(Machine::tick);
        }
    }

    /// One step of the procedure.
    pub(super) fn step(&mut self, procedure: &mut impl Procedure<N>) -> Step {
        let mut commands = [AxisCommand::default(); N];
        let step = procedure.next(&mut commands);
        match step {
            Step::Done => {}
            Step::Wait(time) => self.advance(time),
            Step::Exchange => {
                let mut replies = [Ok(Reply::default()); N];
                for ((device, reply), asked) in replies.iter_mut().enumerate().zip(commands) {
                    if asked.command != Command::Filler {
                        *reply = Ok(self.exchange(device, asked));
                    }
                }
                if self.damaged.contains(&self.exchanges) {
                    replies[0] = Err(ReplyError::Malformed);
                }
                self.advance(EXCHANGE);
                self.exchanges += 1;
                procedure.came_back(&replies);
            }
        }
        assert!(self.now < FOR_EVER, "homing does not end: {:?}", self.machines);
        step
    }

    pub(super) fn home<const K: usize>(&mut self, homing: &mut Homing<K, N>) {
        while self.step(homing) != Step::Done {}
    }

    /// What a device answers.
    fn exchange(&mut self, device: usize, asked: AxisCommand) -> Reply {
        let layout = self.layout;
        let mut word = self.machines[device].status(layout, 0);
        word |= self.second.get(device).map_or(0, |machine| machine.status(layout, 1));
        let machine = if asked.axis == 0 { &mut self.machines[device] } else { &mut self.second[device] };
        machine.commands.push(asked.command);
        let mut reply = machine.obey(asked.command, layout);
        if matches!(asked.command, Command::PeekStatus | Command::TakeStatus) {
            reply.status = Some(Status::new(word, u64::MAX, &layout.status));
        }
        reply
    }
}
