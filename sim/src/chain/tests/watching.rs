//! The log and its text, branches of a run, and that nothing depends on who looks when.

use stepchain::map::{BridgeState, Flag, MotionState};

use super::*;

/// Sends units of the latched map to a chain of one device.
fn send(chain: &VirtualChain, units: &[u16]) {
    units.iter().for_each(|unit| chain.spi().write(&unit.to_be_bytes()).unwrap());
}

/// By hand: a unit takes 3.2 µs at 5 MHz and 0.8 µs lie between two. 64 microsteps are one full step; at 1000 steps/s²
/// up and down it takes 2·√(1/1000) s = 63.245 553 ms, half of it up.
#[test]
fn the_text_of_a_run_is_as_it_always_was() {
    let chain = chain(LATCHED, 1);
    // Take the status and hear it; move by 64 microsteps up; write a register that is locked meanwhile.
    send(&chain, &[0xE100, 0x7E7E, 0x6800, 0x0040, 0x8811, 0x01F5]);
    chain.run_until_still(S);
    // An opcode of nobody, a read of nothing, half a frame; then the bridge lets go.
    send(&chain, &[0xF800, 0x5077]);
    chain.spi().write(&[0x7E]).unwrap();
    chain.set_condition(0, 0, Flag::OvertemperatureWarning, true);
    send(&chain, &[0x3942]);
    chain.reset_node(0);
    assert_eq!(format!("\n{}", chain.log_text()), TEXT);
}

const TEXT: &str = "
                0  0     reset
            3_200  0     accepted   take status
            3_200  0.0   fallen     reset occurred, latched
           15_200  0.0   accepted   move relative, 64 microsteps
           15_200  0.0   state      standstill -> accelerating
           15_200  0.0   bridge     high impedance -> driven
           15_200  0.0   raised     busy
           15_200  0.0   raised     positive direction
           15_200  0.0   fallen     bridge off
           23_200  0     rejected   write parameter: the register at 0x11 is written at standstill only
           23_200  0.0   raised     command rejected, latched
       31_637_977  0.0   state      accelerating -> decelerating
       63_260_754  0.0   state      decelerating -> standstill
       63_260_754  0.0   arrived    at 64 microsteps
       63_260_754  0.0   fallen     busy
       63_260_754  0.0   raised     target reached
       63_263_954  0     unknown    0xf800
       63_263_954  0.0   raised     command unknown, latched
       63_267_954  0     rejected   read parameter: there is no register at 0x77
       63_270_354  bus   violation  8 clocks for a chain of 16 bits
       63_270_354  0     unknown    0x7e
       63_270_354  0.0   raised     overtemperature warning
       63_274_354  0.0   accepted   stop, profile ramp, high impedance
       63_274_354  0.0   bridge     driven -> high impedance
       63_274_354  0.0   raised     bridge off
       63_274_354  0     reset
       63_274_354  0.0   fallen     target reached
       63_274_354  0.0   fallen     positive direction
       63_274_354  0.0   fallen     command rejected, latched
       63_274_354  0.0   fallen     command unknown, latched
       63_274_354  0.0   raised     reset occurred, latched
";

#[test]
fn a_mark_gives_what_came_after_it_and_forgetting_leaves_marks_as_they_were() {
    let chain = chain(LATCHED, 1);
    let whole = |chain: &VirtualChain| chain.events_since(0);
    send(&chain, &[0xE000]);
    let mark = chain.event_count();
    assert_eq!((mark, whole(&chain).len()), (2, 2));
    send(&chain, &[0xE000, 0x7E7E]);
    assert_eq!(chain.events_since(mark), whole(&chain)[2..]);
    chain.forget_events();
    assert_eq!((chain.event_count(), whole(&chain)), (3, vec![]));
    send(&chain, &[0xE000]);
    assert_eq!(chain.events_since(mark), whole(&chain));
    assert_eq!(chain.events_since(3).len(), 1);
    assert_eq!(chain.events_since(99), []);
}

/// A reversal that is commanded 1 ms later comes 1 ms later; the trunk never hears of the branch.
#[test]
fn a_branch_goes_its_own_way() {
    let trunk = chain(LATCHED, 2);
    talk(&trunk, &[&[0xB4, 0x00, 0xB4, 0x00], &[0x13, 0x88, 0x13, 0x88]]);
    trunk.advance_ns(500 * MS);
    // Half a command is under way when the branches part.
    talk(&trunk, &[&[0xB0, 0x00, 0x7E, 0x7E]]);
    let (before, at_ns) = (trunk.log_text(), trunk.now_ns());
    let branch = trunk.fork();
    branch.advance_ns(MS);
    let rest: &[&[u8]] = &[&[0x13, 0x88, 0x7E, 0x7E]];
    let came = talk(&branch, rest);
    assert_eq!((trunk.now_ns(), trunk.log_text()), (at_ns, before), "the trunk waits");
    assert_eq!(talk(&trunk, rest), came);
    for chain in [&trunk, &branch] {
        chain.advance_ns(S);
        assert_eq!((chain.velocity_steps_per_s(0, 0), chain.velocity_steps_per_s(1, 0)), (100.0, -100.0));
    }
    let turn = |chain: &VirtualChain| {
        let kind = EventKind::MotionStateChanged {
            axis: 0,
            from: MotionState::ConstantVelocity,
            to: MotionState::Decelerating,
        };
        chain
            .events()
            .into_iter()
            .find(|event| event.device == Some(1) && event.kind == kind)
            .map(|event| event.time_ns)
    };
    // The gap before a selection, 0.8 µs, passes within the millisecond.
    assert_eq!(turn(&branch), turn(&trunk).map(|turned_ns| turned_ns + MS - 800));
    let ahead = branch.position(1, 0) - trunk.position(1, 0);
    assert!((6..=7).contains(&ahead), "a millisecond more at 6400 microsteps/s is 6.4 microsteps, not {ahead}");
    branch.set_condition(0, 0, Flag::Overcurrent, true);
    branch.reset_node(1);
    branch.set_position(0, 0, 7);
    assert_eq!(trunk.bridge_state(0, 0), BridgeState::Driven);
    assert_eq!((trunk.frames(), branch.frames()), (4, 4));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Random units of the latched map with pauses; one chain is left alone, the other asked again and again, and a
    /// branch of the first takes over half way.
    #[test]
    fn the_log_is_the_same_whoever_looks_and_from_wherever_it_is_continued(
        units in prop::collection::vec((any::<u16>(), 0u64..400_000_000, 1u64..9), 1..40),
        verbs in prop::collection::vec(0usize..12, 40),
        fork_at in 0usize..40,
    ) {
        const KNOWN: [&[u16]; 12] = [
            &[0xB400, 0x2000], &[0xB000, 0x2000], &[0x6800, 0x0400], &[0x6C00, 0x0200], &[0x6900, 0x0100], &[0x3942],
            &[0x3A18], &[0x3C24], &[0x9D00, 0x1000], &[0xA100], &[0xE100, 0x7E7E], &[0x8814, 0x0200],
        ];
        let [mut alone, asked] = [chain(LATCHED, 1), chain(LATCHED, 1)];
        for chain in [&alone, &asked] {
            chain.set_switch(0, 0, Switch::ClosedBetween { from_steps: 20.0, to_steps: 40.0 });
            chain.set_end_stop(0, 0, 60.0);
        }
        for (index, (&(unit, pause_ns, looks), verb)) in units.iter().zip(&verbs).enumerate() {
            if index == fork_at {
                alone = alone.fork();
            }
            for chain in [&alone, &asked] {
                send(chain, KNOWN[*verb]);
                if unit & 7 == 0 {
                    send(chain, &[unit]);
                }
            }
            alone.advance_ns(pause_ns);
            for look in 0..looks {
                asked.advance_ns(pause_ns / looks + if look == 0 { pause_ns % looks } else { 0 });
                let _ = (asked.position(0, 0), asked.event_count());
            }
        }
        prop_assert_eq!(alone.log_text(), asked.log_text());
        prop_assert!(alone.events().is_sorted_by_key(|event| event.time_ns));
    }
}
