//! Guards beside an axis that does not stop on the spot: what is broken off goes on by the braking distance.

use super::*;

const STANDING: u64 = 0x8001;
const RUNNING: u64 = 0x800C;

impl Guard {
    fn looks(&mut self, word: u64) {
        let status = Some(Status::new(word, 0xFFFF, &Latched::LAYOUT.status));
        self.observe(Command::PeekStatus.into(), &Reply { value: None, status });
    }
}

fn braking(min: i64, max: i64, braking: i32) -> Guard {
    let mut guard = guard(min, max);
    guard.braking = Distance::from_microsteps(braking);
    guard
}

/// By hand: read at 50 while it runs, the axis is at the limit at most when it gets the move; and seen to stand, where it
/// is read next.
#[test]
fn a_motor_that_runs_is_past_its_last_reading_when_it_gets_a_move() {
    for (velocity, inward, outward) in [(5, -50, 1), (-5, 50, -1)] {
        let mut guard = braking(-100, 100, 20);
        guard.sends(run(velocity)).unwrap();
        let read = 50 * velocity / 5;
        guard.reads(read).unwrap();
        assert!(guard.check(by(outward)).is_err() && guard.check(by(inward)).is_ok());
        assert!(guard.check(run(velocity)).is_ok(), "29 are left to brake in 20");
        guard.looks(RUNNING);
        guard.reads(read).unwrap();
        assert!(guard.check(by(outward)).is_err());
        guard.looks(STANDING);
        guard.reads(read).unwrap();
        assert!(guard.check(by(outward * 50)).is_ok() && guard.check(by(outward * 51)).is_err());
    }
}

/// By hand: read at 50 after the stop, the axis may go on by 20 to 70; 30 from there is the limit. Seen to stand, it is
/// where it is read.
#[test]
fn a_motor_that_was_stopped_goes_on_from_its_reading_by_the_braking_distance() {
    for stop in [STOP, run(0)] {
        for first in [run(5), by(90)] {
            let mut guard = braking(-100, 100, -20);
            guard.sends(first).unwrap();
            guard.sends(stop).unwrap();
            guard.reads(50).unwrap();
            assert!(guard.check(by(30)).is_ok() && guard.check(by(31)).is_err(), "{first:?}, {stop:?}");
            assert!(guard.check(by(-130)).is_ok() && guard.check(by(-131)).is_err(), "{first:?}, {stop:?}");
            guard.looks(STANDING);
            guard.reads(60).unwrap();
            assert!(guard.check(by(40)).is_ok() && guard.check(by(41)).is_err());
        }
    }
}

/// By hand: a move from 0 to 90 that is turned back to 0 may be read at 60 and brake until 80.
#[test]
fn a_motor_that_was_turned_back_goes_on_from_its_reading_by_the_braking_distance() {
    let mut guard = braking(-100, 100, 20);
    guard.sends(by(90)).unwrap();
    guard.sends(Command::ReturnToZero).unwrap();
    guard.reads(60).unwrap();
    assert!(guard.check(by(20)).is_ok() && guard.check(by(21)).is_err());
    let mut waits = braking(-100, 100, 20);
    waits.sends(by(90)).unwrap();
    waits.sends(by(-90).buffered()).unwrap();
    waits.reads(60).unwrap();
    assert!(waits.check(by(10)).is_ok() && waits.check(by(11)).is_err(), "what waits breaks nothing off");
}

/// Near the limit nothing is added: a motion that was let pass brakes within it.
#[test]
fn braking_is_taken_to_end_at_the_limit() {
    let mut guard = braking(-100, 100, 20);
    guard.sends(by(90)).unwrap();
    guard.sends(STOP).unwrap();
    guard.reads(90).unwrap();
    assert!(guard.check(by(-170)).is_ok() && guard.check(by(0)).is_ok());
    assert!(guard.check(by(1)).is_err());
}

#[test]
fn a_single_move_that_was_read_at_its_end_needs_no_look_at_the_status() {
    let mut guard = braking(-100, 100, 20);
    for (distance, reading) in [(90, 90), (-150, -60), (160, 100)] {
        guard.sends(by(distance)).unwrap();
        guard.reads(reading).unwrap();
        assert!(guard.check(by(100 - reading)).is_ok() && guard.check(by(-100 - reading)).is_ok());
    }
}

/// A run that waits for a move begins at its end: read there, the axis does not rest.
#[test]
fn a_run_that_waited_is_under_way_where_the_move_before_it_ends() {
    let mut guard = braking(-100, 100, 20);
    let limits = guard.limits.take();
    guard.sends(by(50)).unwrap();
    guard.sends(run(5).buffered()).unwrap();
    guard.limits = limits;
    guard.reads(50).unwrap();
    assert!(guard.check(by(1)).is_err() && guard.check(by(-150)).is_ok() && guard.check(by(-151)).is_err());
}

#[test]
fn an_axis_without_limits_that_runs_has_to_be_read_once_it_has_some() {
    let mut guard = braking(-100, 100, 20);
    let limits = guard.limits.take();
    guard.sends(run(5)).unwrap();
    guard.reads(10).unwrap();
    guard.sends(STOP).unwrap();
    guard.limits = limits;
    assert_eq!(guard.check(by(0)), unknown(EndUnknown::Unread));
    guard.reads(50).unwrap();
    assert!(guard.check(by(30)).is_ok() && guard.check(by(31)).is_err());
}

/// An axis with momentum.
struct Axis {
    position: i64,
    /// So far it still goes before it does what it was told last.
    coast: i64,
    doing: Doing,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Doing {
    Rest,
    To(i64),
    /// Which way, and whether it has set out.
    Run(i64, bool),
}

impl Axis {
    /// It brakes from what it does: a move within its way, for its own ramp ends there.
    fn breaks_off(&mut self, braking: i64) {
        if self.coast == 0 {
            self.coast = match self.doing {
                Doing::Rest => 0,
                Doing::To(target) => (target - self.position).clamp(-braking, braking),
                Doing::Run(way, has_set_out) => i64::from(has_set_out) * way * braking,
            };
        }
    }

    fn is_busy(&self) -> bool {
        self.coast != 0 || self.doing != Doing::Rest
    }

    /// One step; who lets it run stops it while it can still brake within the limits.
    fn steps(&mut self, limits: &PositionLimits, braking: i64) {
        if self.coast != 0 {
            self.position += self.coast.signum();
            self.coast -= self.coast.signum();
            return;
        }
        match self.doing {
            Doing::Rest => {}
            Doing::To(target) => self.position += (target - self.position).signum(),
            Doing::Run(way, _) => {
                if limits.contains(at(self.position + way * (1 + braking))) {
                    self.position += way;
                    self.doing = Doing::Run(way, true);
                } else {
                    self.breaks_off(braking);
                    self.doing = Doing::Rest;
                }
            }
        }
        if self.doing == Doing::To(self.position) {
            self.doing = Doing::Rest;
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// However an axis with momentum is told, stopped, turned back and read, it never leaves the limits.
    #[test]
    fn an_axis_with_momentum_never_leaves_its_limits_either(
        min in -60i64..=0, max in 0i64..60, braking in 0i32..30, acts in prop::collection::vec(act(), 0..40),
    ) {
        let shape = PositionCounter::new(8, &[1]);
        let limits = PositionLimits::new(at(min), at(max));
        let mut guard = Guard::new(0, tracker(&shape)).within(limits, Distance::from_microsteps(braking));
        let braking = i64::from(braking);
        guard.tracker.homed_at(Position::from_microsteps(17), at(0));
        let place = |position: i64| Place::new(&shape, Position::from_microsteps((position + 17) as i8 as i32), at(position));
        let mut axis = Axis { position: 0, coast: 0, doing: Doing::Rest };
        let mut waiting: Option<Command> = None;
        for act in acts {
            match act {
                Act::Tell { command, is_buffered, is_obeyed, is_sure } => {
                    let is_buffered = is_buffered && matches!(command, Command::MoveRelative { .. } | Command::MoveAbsolute { .. });
                    let asked = if is_buffered { command.buffered() } else { command.into() };
                    if guard.check(asked).is_err() {
                        continue;
                    }
                    let has_no_room = is_buffered && waiting.is_some();
                    guard.announce(&Latched::LAYOUT, asked);
                    guard.settle(if is_sure && !has_no_room { Fate::Sent } else { Fate::Unsure });
                    if !is_obeyed || has_no_room {
                        continue;
                    }
                    if is_buffered && axis.is_busy() {
                        waiting = Some(command);
                        continue;
                    }
                    waiting = None;
                    let way = match command {
                        Command::MoveVelocity { velocity } => velocity.to_bits().signum(),
                        _ => 0,
                    };
                    if way != 0 && axis.doing == Doing::Run(way, true) {
                        continue;
                    }
                    axis.breaks_off(braking);
                    axis.doing = match command {
                        Command::MoveVelocity { .. } if way != 0 => Doing::Run(way, false),
                        Command::MoveVelocity { .. } | Command::Stop { .. } => Doing::Rest,
                        command => Doing::To(place(axis.position).end_of(&command).unwrap().to_microsteps()),
                    };
                }
                Act::Go(steps) => {
                    for _ in 0..steps {
                        axis.steps(&limits, braking);
                        prop_assert!(limits.contains(at(axis.position)), "{} is outside", axis.position);
                        if !axis.is_busy() && let Some(command) = waiting.take() {
                            axis.doing = Doing::To(place(axis.position).end_of(&command).unwrap().to_microsteps());
                        }
                    }
                }
                Act::Look => guard.looks(if axis.is_busy() { RUNNING } else { STANDING }),
                Act::Read => guard.tracker.update(place(axis.position).counter(), None).unwrap(),
            }
        }
    }
}
