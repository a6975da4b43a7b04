//! The exact engine against a naive machine in integer registers at a clock, over random sequences of commands.
//!
//! Both get the same commands at the same ticks. Then
//!
//! * the steps are the same, one by one, with their counts and directions, and so is the position at every standstill;
//! * **a step faster than one in 1000 ticks** comes within one tick for each segment (ramp or cruise) since the last
//!   standstill. Why: the machine shows a step at the end of its tick, up to one tick late. That is all as long as the
//!   machine is exact at the ends of its ticks, and so it is but for the parts into which it divides a tick at a corner:
//!   2⁻²⁴ of a tick for each;
//! * **a slower step** comes when the exact motion is within the way of one tick of its place. Time is no measure there:
//!   at rest a place is reached with no velocity, and rounding of the place by δ moves that instant by √(2δ/d). The way
//!   of a tick is taken at the greatest velocity since the last standstill, with which the corner before was passed.
//!
//! Behind a reversal the exact motion begins on a whole nanosecond, 2⁻²⁰ of a tick; the machine does so, too.

mod machine;

use stepchain::map::StopRamp;

use super::Random;
use crate::motion::{Direction, Engine, Limits, Step};
use machine::{Machine, Registers, TICK_NS, VELOCITY_ONE};

const TICK_S: f64 = TICK_NS as f64 * 1e-9;

/// In microsteps a tick. Not a whole one: then all steps would come with a tick, and whether one comes just before a command
/// or just behind it would be a question of rounding.
const FASTEST: f64 = 0.97;

/// Sequences in the default suite, and in the long one.
const FEW: u64 = 1_000;
const MANY: u64 = 100_000;

/// A velocity register in microsteps/s.
fn velocity(register: i64) -> f64 {
    register as f64 / VELOCITY_ONE as f64 / TICK_S
}

fn slope(register: i64) -> f64 {
    velocity(register) / TICK_S
}

fn limits(registers: &Registers) -> Limits {
    Limits {
        velocity: velocity(registers.velocity),
        acceleration: slope(registers.acceleration),
        deceleration: slope(registers.deceleration),
        quick_deceleration: slope(registers.quick_deceleration),
        start_stop_velocity: velocity(registers.start_stop),
    }
}

#[derive(Clone, Copy, Debug)]
enum Command {
    Turn(i64),
    Go(i64),
    GoBy(i64),
    Stop(StopRamp),
    Bind(Option<i64>),
}

/// A command with its registers, and the ticks that pass after it; none until both stand.
type Line = (Command, Registers, Option<u64>);

/// A velocity register about a velocity in microsteps a tick.
fn register(velocity: f64) -> i64 {
    ((velocity * VELOCITY_ONE as f64) as i64).max(1)
}

fn random_registers(random: &mut Random, scale: f64) -> Registers {
    let velocity = (scale * random.magnitude(0.25, 4.0)).min(FASTEST);
    let mut slope = || register(velocity / random.magnitude(1.5, 1500.0));
    let [acceleration, deceleration, quick_deceleration] = [slope(), slope(), slope()];
    let start_stop = if random.share() < 0.6 { 0 } else { register(velocity * random.magnitude(0.02, 1.5)) };
    Registers { velocity: register(velocity), acceleration, deceleration, quick_deceleration, start_stop }
}

fn random_command(random: &mut Random, scale: f64, before: Option<i64>) -> Command {
    let way = |random: &mut Random| {
        let greatest = (scale * 4000.0).clamp(2.0, 1000.0);
        (random.sign() * random.magnitude(1.0, greatest)) as i64
    };
    match (random.share() * 12.0) as u32 {
        0..=2 => Command::Go(way(random)),
        3 => Command::Go(before.unwrap_or(1)),
        4..=5 => Command::GoBy(way(random)),
        6..=7 => {
            let speed = register((scale * random.magnitude(0.05, 4.0)).min(FASTEST));
            Command::Turn(if random.sign() < 0.0 { -speed } else { speed })
        }
        8 => Command::Stop(StopRamp::Quick),
        9 => Command::Stop(if random.share() < 0.5 { StopRamp::None } else { StopRamp::Profile }),
        _ => match (random.share() * 8.0) as u32 {
            0 => Command::Bind(Some(0)),
            1 => Command::Bind(None),
            _ => Command::Bind(Some(register(scale * random.magnitude(0.03, 3.0)))),
        },
    }
}

/// Commands of all kinds about one velocity, mostly given under way, and a stop at the end.
fn random_sequence(random: &mut Random) -> Vec<Line> {
    let scale = random.magnitude(5e-4, 1.0);
    let mut registers = random_registers(random, scale);
    let mut target = None;
    let mut lines = Vec::new();
    for _ in 0..2 + random.next() % 6 {
        if random.share() < 0.4 {
            registers = random_registers(random, scale);
        }
        let command = random_command(random, scale, target);
        if let Command::Go(place) = command {
            target = Some(place);
        }
        // Turning would have no end.
        let waits = random.share() < 0.3 && !matches!(command, Command::Turn(_) | Command::Bind(_));
        lines.push((command, registers, (!waits).then(|| random.magnitude(1.0, 2500.0) as u64)));
    }
    lines.push((Command::Stop(StopRamp::Profile), registers, None));
    lines
}

/// What was compared, and how far apart it was at worst.
#[derive(Debug, Default)]
struct Found {
    steps: u64,
    slow: u64,
    standstills: u64,
    reversals: u64,
    /// Of fast steps, in ticks for each segment.
    per_segment: f64,
    /// Of fast steps, in ticks, and how much too early.
    late: f64,
    early: f64,
    /// Of slow steps, in ways of one tick at the greatest velocity since the last standstill.
    way: f64,
}

fn give(engine: &mut Engine, machine: &mut Machine, command: Command, registers: Registers) {
    let (now_ns, limits) = (machine.tick * TICK_NS, limits(&registers));
    match command {
        Command::Turn(speed) => {
            engine.move_velocity(now_ns, velocity(speed), &limits).map(|()| machine.turn(speed, registers))
        }
        Command::Go(target) => engine.move_to(now_ns, target, &limits).map(|()| machine.go(target, registers)),
        Command::GoBy(way) => {
            let target = engine.position(now_ns) + way;
            engine.move_to(now_ns, target, &limits).map(|()| machine.go(target, registers))
        }
        Command::Stop(ramp) => engine.stop(now_ns, ramp, &limits).map(|()| machine.stop(ramp, registers)),
        Command::Bind(bound) => {
            engine.bound_velocity(now_ns, bound.map_or(f64::INFINITY, velocity));
            machine.bind(bound.unwrap_or(i64::MAX));
            Ok(())
        }
    }
    .unwrap();
}

/// Lets both run side by side, and takes the exact engine's steps, each with the engine that made it.
fn compare(lines: &[Line], found: &mut Found) {
    let mut engine = Engine::new();
    let mut machine = Machine::new(lines[0].1);
    // A stop of the bound to zero has refused what came after; the machine knows no refusals.
    let mut bound = None;
    let mut exact: Vec<(Step, usize)> = Vec::new();
    let mut engines = Vec::new();
    for &(command, registers, ticks) in lines {
        match command {
            Command::Bind(value) => bound = value,
            Command::Turn(_) | Command::Go(_) | Command::GoBy(_) if bound == Some(0) => {
                bound = None;
                give(&mut engine, &mut machine, Command::Bind(None), registers);
            }
            _ => {}
        }
        let begun_ns = machine.tick * TICK_NS;
        give(&mut engine, &mut machine, command, registers);
        match ticks {
            Some(ticks) => (0..ticks).for_each(|_| machine.clock()),
            None => {
                while !machine.rests() || engine.settles_at_ns().unwrap() > machine.tick * TICK_NS {
                    machine.clock();
                    assert!(machine.tick < 10_000_000, "no end: {machine:?}");
                }
            }
        }
        let now_ns = machine.tick * TICK_NS;
        exact.extend(engine.steps(begun_ns, now_ns).map(|step| (step, engines.len())));
        engines.push(engine.clone());
        if machine.rests() && !engine.is_moving(now_ns) {
            assert_eq!(machine.count, engine.position(now_ns), "at a standstill, tick {}", machine.tick);
            found.standstills += 1;
        }
    }
    assert!(machine.rests(), "{machine:?}");
    assert_eq!(machine.pulses.len(), exact.len(), "steps of the machine, and of the engine");
    for (pulse, (step, index)) in machine.pulses.iter().zip(&exact) {
        let upwards = step.direction == Direction::Positive;
        assert_eq!((pulse.count, pulse.upwards), (step.position, upwards), "{pulse:?} {step:?}");
        found.steps += 1;
        let late = (pulse.tick * TICK_NS) as f64 / TICK_NS as f64
            - (step.base_ns as f64 + step.offset_s * 1e9) / TICK_NS as f64;
        if pulse.velocity >= VELOCITY_ONE / 1000 {
            let allowed = f64::from(pulse.segments);
            assert!(late.abs() <= allowed, "{late} ticks late: {pulse:?} {step:?}");
            found.late = found.late.max(late);
            found.early = found.early.max(-late);
            found.per_segment = found.per_segment.max(late.abs() / allowed);
        } else {
            let way = pulse.peak as f64 / VELOCITY_ONE as f64;
            // The machine says in which tick, so what counts is the instant of it that is nearest.
            let nearest_ns = step.at_ns().clamp((pulse.tick - 1) * TICK_NS, pulse.tick * TICK_NS);
            let off = (engines[*index].ideal_position(nearest_ns) - pulse.count as f64).abs();
            assert!(off <= way, "{off} off, {way} is the way of a tick: {pulse:?} {step:?}");
            found.way = found.way.max(off / way);
            found.slow += 1;
        }
    }
    found.reversals += machine.pulses.windows(2).filter(|pair| pair[0].upwards != pair[1].upwards).count() as u64;
}

fn compare_many(seed: u64, sequences: u64) -> Found {
    let mut found = Found::default();
    for sequence in 0..sequences {
        let lines = random_sequence(&mut Random(seed.wrapping_mul(1 << 32) + sequence));
        let told = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| compare(&lines, &mut found)));
        assert!(told.is_ok(), "seed {seed}, sequence {sequence}: {lines:#?}");
    }
    println!("{sequences} sequences: {found:?}");
    found
}

#[test]
fn the_engine_agrees_with_a_machine_in_ticks() {
    let found = compare_many(1, FEW);
    assert!(found.standstills > FEW && found.reversals > FEW / 4 && found.slow > 100, "too little is tried: {found:?}");
}

/// Half a minute: `cargo test -p stepchain-sim --lib -- --ignored --nocapture`.
#[test]
#[ignore = "long"]
fn the_engine_agrees_with_a_machine_in_ticks_in_many_sequences() {
    let found = compare_many(2, MANY);
    assert!(found.standstills > MANY && found.slow > 10_000, "too little is tried: {found:?}");
}
