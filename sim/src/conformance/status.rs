//! The status: each flag's condition is brought about and taken away, and the typed status has to show it either way.

use stepchain::map::{Flag, Holding, MotionState, Parameter, StatusBit, Verb};
use stepchain::units::Velocity;
use stepchain::{Command, Status};

use super::locks::rig_with_a_stranger;
use super::report::Law;
use super::rig::{Rig, moderate, scale};
use crate::decode::Decoded;

/// Each flag of each axis shows raised where it must be and not raised where it must not, and so does each motion state.
pub(super) fn polarity(rig: &Rig) -> Law {
    let mut law = Law::new("every flag is raised by its condition, and only by it");
    let rig = rig.fork();
    rig.prepare();
    let carries = rig.map.form(Verb::PeekStatus).or(rig.map.form(Verb::TakeStatus)).is_some();
    if !carries && !rig.map.status.flags.is_empty() {
        law.cannot("the map has no command that reads the status: its word is looked at in the device".to_owned());
    }
    for bit in rig.map.status.flags {
        let scenes = scenes(&rig, bit);
        if scenes.is_empty() {
            law.cannot(format!("{} of axis {}: nothing here raises it", bit.flag.name(), bit.axis));
        }
        for Scene { rig, when, raised } in scenes {
            let shown = bit.is_raised(rig.chain.status(rig.target));
            law.must(shown == raised, || told(bit, when, raised, &"the status word"));
            // An event that is not latched shows the fate of the last word: asking is a word, too.
            let is_fate = bit.holding == Holding::Live && is_event(bit.flag);
            if carries && !is_fate {
                match asked(&rig).map(|status| status.flag_of(bit.flag, bit.axis)) {
                    Ok(Some(shown)) => law.must(shown == raised, || told(bit, when, raised, &"the reply")),
                    Ok(None) => law.must(false, || {
                        format!(
                            "{} of axis {}: no reply to a status command carries bit {}",
                            bit.flag.name(),
                            bit.axis,
                            bit.bit
                        )
                    }),
                    Err(error) => law.must(false, || format!("{} {when}: {error}", bit.flag.name())),
                }
            }
        }
    }
    for field in rig.map.status.motion_states {
        let rig = rig.fork();
        if carries && rig.set_going(field.axis, true) {
            law.keep(states_are_told(&rig, field.axis));
        } else {
            law.cannot(format!("motion states of axis {}: it cannot be set going", field.axis));
        }
    }
    law
}

fn told(bit: &StatusBit, when: &str, raised: bool, who: &dyn std::fmt::Display) -> String {
    let not = if raised { "not " } else { "" };
    format!("{} of axis {} {when}: {who} shows it {not}raised", bit.flag.name(), bit.axis)
}

/// What the driver makes of the status, without clearing it where the map has a way.
fn asked(rig: &Rig) -> Result<Status, String> {
    let rig = rig.fork();
    let peek = rig.map.form(Verb::PeekStatus).is_some();
    let command = if peek { Command::PeekStatus } else { Command::TakeStatus };
    rig.to_target(command.on(0))?.status.ok_or_else(|| "no status comes".to_owned())
}

const fn is_event(flag: Flag) -> bool {
    matches!(flag, Flag::CommandRejected | Flag::CommandUnknown | Flag::CrcMismatch | Flag::ResetOccurred)
}

/// A state of the chain in which a flag is raised or not.
struct Scene {
    rig: Rig,
    when: &'static str,
    raised: bool,
}

/// Ways to bring about that a flag is raised and that it is not; none where nobody knows one.
fn scenes(rig: &Rig, bit: &StatusBit) -> Vec<Scene> {
    let axis = bit.axis;
    let mut scenes = Vec::new();
    let mut add = |rig: Rig, when, raised| scenes.push(Scene { rig, when, raised });
    let is_latched = bit.holding != Holding::Live;
    let going = |upwards| {
        let rig = rig.fork();
        rig.set_going(axis, upwards).then_some(rig)
    };
    match bit.flag {
        Flag::Busy => {
            add(rig.fork(), "at power-up", false);
            // Turning at its velocity, an axis has nothing left to do.
            let ramps = |rig: &Rig| matches!(rig.phase(axis), MotionState::Accelerating | MotionState::Decelerating);
            going(true).filter(ramps).into_iter().for_each(|rig| add(rig, "on a ramp", true));
        }
        Flag::TargetReached => {
            add(rig.fork(), "before any motion", false);
            let there = going(true).filter(|rig| while_moving(rig, axis));
            there.into_iter().for_each(|rig| add(rig, "after a motion", true));
        }
        Flag::BridgeOff => {
            if !rig.is_moving(axis)
                && rig.chain.bridge_state(rig.target, axis.into()) == stepchain::map::BridgeState::HighImpedance
            {
                add(rig.fork(), "at power-up", true);
            }
            going(true).filter(|_| !is_latched).into_iter().for_each(|rig| add(rig, "under way", false));
        }
        Flag::PositiveDirection => {
            going(true).into_iter().for_each(|rig| add(rig, "counting up", true));
            going(false)
                .filter(|rig| rig.velocity(axis) <= 0.0)
                .into_iter()
                .for_each(|rig| add(rig, "counting down", false));
        }
        Flag::ResetOccurred => {
            let fresh = rig.fork();
            fresh.chain.reset_node(fresh.target);
            add(fresh.fork(), "after a reset", true);
            let clearing = match bit.holding {
                Holding::Live => Some(Verb::PeekStatus),
                Holding::LatchedUntil(stepchain::map::Clearing::TakeStatus) => Some(Verb::TakeStatus),
                Holding::LatchedUntil(stepchain::map::Clearing::FaultReset) => Some(Verb::FaultReset),
            };
            let command = match clearing {
                Some(Verb::PeekStatus) => Command::PeekStatus,
                Some(Verb::FaultReset) => Command::FaultReset,
                _ => Command::TakeStatus,
            };
            if fresh.to_target(command.on(0)).is_ok() {
                add(fresh, "after it was cleared", false);
            }
        }
        Flag::CommandRejected => {
            add(rig.fork(), "before any rejection", false);
            if let Some((stranger, _)) = rig_with_a_stranger(rig) {
                let _ = stranger.to_target(Command::read(stepchain::map::Parameter::Custom(u8::MAX)).on(0));
                // For no axis in particular: the first one's flag.
                if axis == 0 {
                    add(Rig { map: rig.map, codec: rig.codec, ..stranger }, "after a rejection", true);
                }
            }
        }
        Flag::CommandUnknown | Flag::CrcMismatch => {
            add(rig.fork(), "before any word", false);
            let is_wanted = |decoded: &Decoded| match bit.flag {
                Flag::CommandUnknown => matches!(decoded, Decoded::Unknown { .. }),
                _ => matches!(decoded, Decoded::CrcMismatch { .. }),
            };
            if let Some(unit) = rig.unit_that(is_wanted) {
                let rig = rig.fork();
                rig.shift_unit(unit);
                add(rig, "after a word of that kind", true);
            }
        }
        Flag::InternalLimitActive => {
            add(rig.fork(), "before any motion", false);
            cut_down(rig, axis).into_iter().for_each(|rig| add(rig, "with a velocity above the greatest", true));
        }
        Flag::HomeSwitch | Flag::SwitchEvent => {
            add(rig.fork(), "with the switch open", false);
            let closed = rig.fork();
            closed.chain.set_condition(closed.target, axis.into(), Flag::HomeSwitch, true);
            add(closed, "with the switch closed", true);
        }
        outside => {
            let without = rig.fork();
            add(without.fork(), "without cause", false);
            let with = rig.fork();
            with.chain.set_condition(with.target, axis.into(), outside, true);
            add(with.fork(), "while it lasts", true);
            with.chain.set_condition(with.target, axis.into(), outside, false);
            add(with, "when it is over", is_latched);
        }
    }
    scenes
}

/// Lets a motion come to where it is to: to its end, or to its velocity.
fn while_moving(rig: &Rig, axis: u8) -> bool {
    (0..8).any(|_| rig.has_arrived_last(axis) || rig.next_phase(axis) && rig.has_arrived_last(axis))
}

/// An axis that is told to turn faster than it may.
fn cut_down(rig: &Rig, axis: u8) -> Option<Rig> {
    let rig = rig.fork();
    let register = rig.map.register(Parameter::MaxProfileVelocity, axis)?;
    let form = rig.map.form(Verb::MoveVelocity)?;
    let limit = moderate(&register.coding, register.unit, 1.0)?;
    let code = register.coding.code_of(limit, register.unit).ok()?;
    rig.to_target(rig.write_of(register, code).ok()?).ok()?;
    let asked = rig.argument(form, axis, 4.0 * limit as f64 / scale(register.unit))?;
    if asked <= limit {
        return None;
    }
    rig.to_target(Command::MoveVelocity { velocity: Velocity::from_bits(asked).ok()? }.on(axis)).ok()?;
    rig.is_moving(axis).then_some(rig)
}

/// In each phase that comes, the driver reads the state that the motor is in.
fn states_are_told(rig: &Rig, axis: u8) -> Result<(), String> {
    for _ in 0..4 {
        let found = asked(rig)?.motion_state_of(axis);
        let expected = rig.phase(axis);
        // Asking takes its time, and a short phase may be over by then.
        let change = rig.chain.engine(rig.target, axis.into()).next_phase_change_after(rig.chain.now_ns());
        let is_short = change.is_some_and(|change_ns| change_ns < rig.chain.now_ns() + 10_000_000);
        if found != Some(expected) && !is_short {
            return Err(format!("axis {axis} is {}, and {found:?} is read", expected.name()));
        }
        if !rig.next_phase(axis) {
            break;
        }
    }
    Ok(())
}
