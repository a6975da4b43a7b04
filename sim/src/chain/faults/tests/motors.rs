//! Faults of devices and motors, and those that wait for an event.
//!
//! The latched map after power-up ramps with 1000 steps/s² in 64 microsteps a step: 100 steps/s are reached after 0.1 s
//! and 5 steps.

use super::*;

/// Move velocity, 100 steps/s up; takes effect at 7.2 µs, the end of its second frame.
const UP: [[u8; 2]; 2] = [[0xB4, 0x00], [0x13, 0x88]];
const BEGIN_NS: u64 = 7_200;

fn turn(chain: &VirtualChain) {
    UP.iter().for_each(|unit| drop(talk(chain, unit)));
}

fn bit(chain: &VirtualChain, bit: u32) -> bool {
    chain.status(0) >> bit & 1 == 1
}

#[test]
fn a_low_supply_holds_from_its_instant_to_its_end() {
    let fault = Fault::Undervoltage { device: 0 };
    let chain = chain(LATCHED, 1, fault, Start::At(300 * MS), Lasts::Ns(200 * MS));
    chain.advance_ns(299_999_999);
    assert!(!bit(&chain, 12));
    chain.advance_ns(1);
    assert!(bit(&chain, 12));
    // A command of which the last bit is clocked 1 ns before the end is rejected, and one at the end is not.
    chain.advance_ns(500 * MS - BEGIN_NS - chain.now_ns() - 1);
    turn(&chain);
    assert_eq!((chain.now_ns(), chain.is_moving(0, 0)), (500 * MS - 1, false));
    talk(&chain, &UP[0]);
    talk(&chain, &UP[1]);
    assert!(chain.is_moving(0, 0));
    assert_eq!(told(&chain), [("began", 300 * MS), ("ended", 500 * MS)]);
}

/// Nobody looks in between: the axis has stopped at the very instant, and standstill is seen then.
#[test]
fn a_fault_under_way_ends_a_motion_at_its_own_instant() {
    let fault = Fault::Undervoltage { device: 0 };
    let chain = chain(LATCHED, 1, fault, Start::At(100 * MS + BEGIN_NS), Lasts::Instant);
    turn(&chain);
    assert!(chain.run_until_still(9 * S));
    assert_eq!((chain.now_ns(), chain.position(0, 0)), (100 * MS + BEGIN_NS, 5 * 64));
    assert_eq!((chain.bridge_state(0, 0), bit(&chain, 12)), (BridgeState::HighImpedance, true));
    turn(&chain);
    assert!(chain.is_moving(0, 0), "over as it began");
}

#[test]
fn a_hot_device_warns_first_and_shuts_off_when_it_stays_hot() {
    let hot = |lasts| {
        let fault = Fault::Overheating { device: 0, shut_off_after_ns: 400 * MS };
        let chain = chain(LATCHED, 1, fault, Start::At(100 * MS), lasts);
        turn(&chain);
        chain
    };
    let chain = hot(Lasts::Ns(500 * MS));
    chain.advance_ns(200 * MS);
    assert_eq!(([13, 14].map(|flag| bit(&chain, flag)), chain.is_moving(0, 0)), ([true, false], true));
    chain.advance_ns(S);
    assert_eq!(told(&chain), [("began", 100 * MS), ("worse", 500 * MS), ("ended", 600 * MS)]);
    assert_eq!(([13, 14].map(|flag| bit(&chain, flag)), chain.is_moving(0, 0)), ([false, true], false));
    let at_ns = chain.trajectory(0, 0).into_iter().rev().find(|corner| corner.velocity_steps_per_s > 0.0);
    assert_eq!(at_ns.unwrap().time_ns, 500 * MS, "the motor turned until then");
    // Cool again before it is too late.
    let chain = hot(Lasts::Ns(400 * MS));
    chain.advance_ns(S);
    assert_eq!((told(&chain).len(), chain.is_moving(0, 0), bit(&chain, 14)), (2, true, false));
}

#[test]
fn two_faults_of_one_kind_hold_until_the_last_is_over() {
    let fault = Fault::Overheating { device: 0, shut_off_after_ns: S };
    let chain = VirtualChain::new(LATCHED, 1).unwrap();
    let script = Script::new().with(fault.clone(), Start::At(100), Lasts::Ns(100), 0).with(
        fault,
        Start::At(150),
        Lasts::Ns(100),
        0,
    );
    chain.inject(&script).unwrap();
    let seen = [120, 180, 220, 260].map(|at_ns| {
        chain.advance_ns(at_ns - chain.now_ns());
        bit(&chain, 13)
    });
    assert_eq!(seen, [true, true, true, false]);
}

#[test]
fn a_supply_and_a_rotor_are_free_when_the_last_of_two_faults_is_over() {
    let held = [
        Fault::Undervoltage { device: 0 },
        Fault::BlockedRotor { device: 0, axis: 0 },
        Fault::OpenWinding { device: 0, axis: 0, winding: Winding::A },
    ];
    for fault in held {
        let chain = VirtualChain::new(LATCHED, 1).unwrap();
        let script = Script::new().with(fault.clone(), Start::At(0), Lasts::Ns(S), 0).with(
            fault.clone(),
            Start::At(0),
            Lasts::Ns(2 * S),
            0,
        );
        chain.inject(&script).unwrap();
        chain.advance_ns(S);
        turn(&chain);
        chain.advance_ns(2 * S - 1 - chain.now_ns());
        assert_eq!(chain.rotor_steps(0, 0), 0.0, "{fault}");
        turn(&chain);
        chain.advance_ns(S);
        assert!(chain.rotor_steps(0, 0) > 90.0, "{fault}");
    }
}

#[test]
fn a_reset_is_over_at_once_and_a_device_held_in_reset_obeys_nothing_until_its_end() {
    let resets = |chain: &VirtualChain| {
        let resets = chain.events().into_iter().filter(|event| event.kind == EventKind::Reset);
        resets.map(|event| event.time_ns).collect::<Vec<_>>()
    };
    let reset = |lasts| chain(FIXED_WORD, 1, Fault::ResetNode { device: 0 }, Start::At(S), lasts);
    let (at_once, held) = (reset(Lasts::Instant), reset(Lasts::Ns(S)));
    for chain in [&at_once, &held] {
        chain.set_position(0, 0, 77);
        chain.advance_ns(S);
        assert_eq!(chain.position(0, 0), 0);
    }
    assert_eq!((resets(&at_once), resets(&held)), (vec![0, S], vec![0, S]));
    // A read of the profile velocity, 0x20, and its answer in the next frame.
    let read = [0x20, 0, 0, 0, 0, 0xD0];
    talk(&at_once, &read);
    assert_eq!(talk(&at_once, &read)[2..5], [0x03, 0x0D, 0x40]);
    talk(&held, &read);
    assert_eq!(talk(&held, &read), [0; 6]);
    held.advance_ns(S);
    assert_eq!(resets(&held), [0, S, 2 * S]);
    talk(&held, &read);
    assert_eq!(talk(&held, &read)[2..5], [0x03, 0x0D, 0x40]);
}

/// Blocked at 5 steps, while it turns at 100 steps/s: a microstep is 156.25 µs, and with the next one it no longer follows.
#[test]
fn a_blocked_rotor_stays_while_the_device_counts_and_follows_from_there() {
    let start = Start::Position { device: 0, axis: 0, steps: 5.0 };
    let chain = chain(LATCHED, 1, Fault::BlockedRotor { device: 0, axis: 0 }, start, Lasts::Ns(S));
    turn(&chain);
    chain.advance_ns(100 * MS);
    assert_eq!(told(&chain), [("began", 100 * MS + BEGIN_NS)]);
    chain.advance_ns(156_249);
    assert!(!bit(&chain, 7), "it has not missed a step yet");
    chain.advance_ns(1);
    assert!(bit(&chain, 7));
    chain.advance_ns(500 * MS);
    assert_eq!((chain.rotor_steps(0, 0), chain.lost_steps(0, 0)), (5.0, (chain.position(0, 0) - 320) as f64 / 64.0));
    chain.advance_ns(S);
    // At 1.1 s it counts 105 steps, and half a second later 155: so much more the rotor has turned as well.
    let (rotor, lost) = (chain.rotor_steps(0, 0), chain.lost_steps(0, 0));
    assert!((rotor - 55.0).abs() < 0.1 && (lost - 100.0).abs() < 0.1, "{rotor} {lost}");
}

/// The latched map has a flag for winding A alone: what is wrong with B its device does not see, and steps are lost all the same.
#[test]
fn an_open_winding_shows_on_its_own_flag_while_the_motor_moves() {
    for (winding, shows) in [(Winding::A, true), (Winding::B, false)] {
        let open = Fault::OpenWinding { device: 0, axis: 0, winding };
        let chain = chain(LATCHED, 1, open, Start::At(0), Lasts::ForEver);
        chain.advance_ns(S);
        assert!(!bit(&chain, 7), "nothing shows at rest");
        turn(&chain);
        chain.advance_ns(S);
        assert_eq!((bit(&chain, 7), chain.rotor_steps(0, 0)), (shows, 0.0), "{winding}");
        assert!(chain.lost_steps(0, 0) > 90.0);
    }
}

fn begins(start: Start, act: impl FnOnce(&VirtualChain)) -> Option<u64> {
    let chain = chain(LATCHED, 1, Fault::Undervoltage { device: 0 }, start, Lasts::Ns(1));
    act(&chain);
    told(&chain).first().map(|&(_, at_ns)| at_ns)
}

/// From 0 to v it takes v/1000 s, and s steps √(2 s/1000) s; the braking from 100 steps/s ends 0.1 s after it begins.
#[test]
fn a_fault_waits_for_a_motion_a_position_or_a_velocity() {
    let turn_for = |duration_ns| move |chain: &VirtualChain| (turn(chain), chain.advance_ns(duration_ns)).1;
    let velocity = |steps_per_s| Start::Velocity { device: 0, axis: 0, steps_per_s };
    assert_eq!(begins(velocity(50.0), turn_for(S)), Some(BEGIN_NS + 50 * MS));
    assert_eq!(begins(velocity(100.0), turn_for(S)), Some(BEGIN_NS + 100 * MS));
    assert_eq!(begins(velocity(100.1), turn_for(S)), None);
    let position = |steps| Start::Position { device: 0, axis: 0, steps };
    assert_eq!(begins(position(1.25), turn_for(S)), Some(BEGIN_NS + 50 * MS));
    assert_eq!(begins(position(-1.25), turn_for(S)), None);
    assert_eq!(begins(position(0.0), turn_for(S)), None, "where it is already it does not arrive");
    assert_eq!(begins(Start::At(7), |_| ()), None, "nothing happens before its time");
    let motion = |nth| Start::Motion { device: 0, axis: 0, nth };
    assert_eq!(begins(motion(1), turn), Some(BEGIN_NS));
    let again = |chain: &VirtualChain| {
        turn(chain);
        chain.advance_ns(S);
        turn(chain);
        chain.advance_ns(S);
        // Stop by the profile ramp, driven; then turn once more.
        talk(chain, &[0x39, 0x18]);
        chain.advance_ns(101 * MS);
        turn(chain);
    };
    let second_ns = begins(motion(2), again).unwrap();
    assert!((2_101 * MS..2_102 * MS).contains(&second_ns), "a command to one that moves is no new motion: {second_ns}");
    assert_eq!(begins(motion(3), again), None);
}

#[test]
fn a_script_that_comes_late_begins_at_once_and_one_that_cannot_be_changes_nothing() {
    let chain = VirtualChain::new(LATCHED, 1).unwrap();
    chain.advance_ns(S);
    let script = |device| Script::new().with(Fault::ResetNode { device }, Start::At(5), Lasts::Instant, 0);
    assert!(chain.inject(&script(1)).is_err());
    assert!(told(&chain).is_empty());
    chain.inject(&script(0)).unwrap();
    assert_eq!(told(&chain), [("began", S), ("ended", S)]);
}

/// What is outside of a device does not go away because the device starts anew.
#[test]
fn a_condition_outlasts_a_reset() {
    let fault = Fault::Overheating { device: 0, shut_off_after_ns: S };
    let chain = chain(LATCHED, 1, fault, Start::At(10), Lasts::Ns(20));
    chain.advance_ns(15);
    chain.reset_node(0);
    assert!(bit(&chain, 13));
    chain.advance_ns(15);
    assert!(!bit(&chain, 13));
}
