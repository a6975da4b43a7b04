//! The commands beyond plain moves, as the driver sends them and the virtual device obeys them; the mailbox and user units
//! on the way. On both reference maps.

use stepchain::map::{Direction, EdgeAction, Flag, Parameter, RegisterMap, Way};
use stepchain::mechanism::{Angle, Mechanism, Ratio};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, MicrostepResolution, Position, Value, Velocity};
use stepchain::{Chain, Command, Mailbox};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::Switch;

const MINUTE: u64 = 60_000_000_000;

struct Rig<M> {
    bench: VirtualChain,
    chain: Chain<M, VirtualSpi, 2>,
    microsteps: i32,
}

impl<M: RegisterMap> Rig<M> {
    fn new() -> Self {
        let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
        let microsteps = bench.microsteps_per_step(0, 0) as i32;
        Self { chain: Chain::new(bench.spi()), bench, microsteps }
    }

    /// Sends a command to device 1 and lets it come to its end.
    fn obey(&mut self, command: Command) {
        self.chain.send_one(1, command).unwrap();
        assert!(self.bench.run_until_still(MINUTE), "{command:?} does not end");
        let status = self.chain.send_one(1, Command::PeekStatus).unwrap().status.unwrap();
        assert_eq!(status.flag(Flag::CommandRejected), Some(false), "{command:?}");
        assert_eq!(status.flag(Flag::CommandUnknown), Some(false), "{command:?}");
        assert_eq!(self.bench.position(0, 0), 0, "device 0 was told nothing");
    }

    fn read(&mut self, parameter: Parameter) -> Value {
        self.chain.send_one(1, Command::read(parameter)).unwrap().value.unwrap()
    }
}

fn at(microsteps: i32) -> Value {
    Value::Position(Position::from_microsteps(microsteps))
}

/// A switch from 30 to 40 steps: the search probes its near edge; the way back to the probed position ends there.
fn a_probed_edge_is_returned_to<M: RegisterMap>() {
    let mut rig = Rig::<M>::new();
    rig.bench.set_switch(1, 0, Switch::ClosedBetween { from_steps: 30.0, to_steps: 40.0 });
    let velocity = Velocity::steps_per_s::<80>();
    rig.obey(Command::SearchForSwitch { velocity, action: EdgeAction::Probe });
    assert_eq!(rig.read(Parameter::ProbedPosition), at(30 * rig.microsteps));
    rig.obey(Command::MoveAbsolute { target: Position::from_microsteps(-5), way: Way::Shortest });
    rig.obey(Command::ReturnToProbedPosition);
    assert_eq!(rig.read(Parameter::PositionDemandValue), at(30 * rig.microsteps));
    rig.obey(Command::ReturnToZero);
    assert_eq!(rig.read(Parameter::PositionDemandValue), at(0));
}

fn pulses_are_followed_in_the_sense_told<M: RegisterMap>() {
    let mut rig = Rig::<M>::new();
    rig.obey(Command::PulseInput { direction: Direction::Negative });
    rig.bench.pulse(1, 0, 77);
    assert_eq!(rig.read(Parameter::PositionDemandValue), at(-77));
    rig.obey(Command::PulseInput { direction: Direction::Positive });
    rig.bench.pulse(1, 0, 100);
    assert_eq!(rig.read(Parameter::PositionDemandValue), at(23));
}

fn defaults_and_restarts_bring_reset_codes_back<M: RegisterMap>() {
    let mut rig = Rig::<M>::new();
    let parameter = Parameter::ProfileVelocity;
    let reset = rig.read(parameter);
    rig.chain.send_all(Command::TakeStatus).unwrap();
    for (command, is_reset) in [(Command::RestoreDefaults, false), (Command::ResetNode, true)] {
        rig.obey(Command::write(parameter, Velocity::steps_per_s::<123>()));
        assert_ne!(rig.read(parameter), reset);
        rig.obey(command);
        assert_eq!(rig.read(parameter), reset, "{command:?}");
        let status = rig.chain.send_one(1, Command::PeekStatus).unwrap().status.unwrap();
        assert_eq!(status.flag(Flag::ResetOccurred), Some(is_reset), "{command:?}");
    }
}

/// The second move waits for the first one; without that the first map would refuse it and the second take it at once.
fn a_buffered_move_waits<M: RegisterMap>() {
    let mut rig = Rig::<M>::new();
    let by = |steps: i32| Command::MoveRelative { distance: Distance::from_microsteps(steps * rig.microsteps) };
    let (first, second) = (by(60), by(-25));
    rig.chain.send_one(1, first).unwrap();
    rig.bench.advance_ns(50_000_000);
    rig.chain.send_one(1, second.buffered()).unwrap();
    let mut highest = 0;
    while rig.bench.is_moving(1, 0) {
        highest = rig.bench.position(1, 0).max(highest);
        rig.bench.advance_ns(1_000_000);
    }
    assert!(highest > i64::from(59 * rig.microsteps), "the first move got to {highest} only");
    assert_eq!(rig.read(Parameter::PositionDemandValue), at(35 * rig.microsteps));
}

/// What was posted for two devices leaves in the same frames, in the order of posting, and the answers come back.
fn posted_commands_are_obeyed<M: RegisterMap>() {
    let mailbox = Mailbox::<2, 4>::new();
    let mut rig = Rig::<M>::new();
    let by = |microsteps| Command::MoveRelative { distance: Distance::from_microsteps(microsteps) };
    mailbox.post(0, by(-40)).unwrap();
    mailbox.post(1, by(50)).unwrap();
    mailbox.post(1, Command::read(Parameter::ProfileVelocity)).unwrap();
    let answers = mailbox.pump(&mut rig.chain).unwrap();
    assert!(answers.iter().all(Option::is_some), "both leave at once: {answers:?}");
    assert!(rig.bench.run_until_still(MINUTE));
    assert_eq!([rig.bench.position(0, 0), rig.bench.position(1, 0)], [-40, 50]);
    let answers = mailbox.pump(&mut rig.chain).unwrap();
    let value = answers[1].unwrap().result.unwrap().value;
    assert_eq!(value, Some(rig.read(Parameter::ProfileVelocity)));
    assert!(mailbox.pump(&mut rig.chain).unwrap().iter().all(Option::is_none), "nothing is left");
}

/// By hand: behind a gear of 4.5 to 1 a motor of 200 steps makes 900 steps a turn, so 36° are 90 steps.
fn degrees_of_the_output_become_steps_of_the_motor<M: RegisterMap>() {
    let mut rig = Rig::<M>::new();
    let resolution = MicrostepResolution::from_microsteps_per_step(rig.microsteps as u16);
    let table = Mechanism::new(200, resolution).unwrap().gear(Ratio::new(9, 2).unwrap()).degrees();
    let distance = table.distance(Angle::from_degrees(-36)).unwrap();
    rig.obey(Command::MoveRelative { distance });
    assert_eq!(rig.read(Parameter::PositionDemandValue), at(-90 * rig.microsteps));
}

macro_rules! on_both_maps {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            super::$name::<Latched>();
            super::$name::<FixedWord>();
        })*
    };
}

mod on_both_maps {
    use super::*;

    on_both_maps! {
        a_probed_edge_is_returned_to
        pulses_are_followed_in_the_sense_told
        defaults_and_restarts_bring_reset_codes_back
        a_buffered_move_waits
        posted_commands_are_obeyed
        degrees_of_the_output_become_steps_of_the_motor
    }
}
