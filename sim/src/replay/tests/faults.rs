//! Each single fault shows, at the first moment at which it can, and is told for what it is.

use embedded_hal::digital::PinState;
use stepchain::Command;
use stepchain::map::{EdgeAction, Flag, Layout, Parameter, RegisterMap, Verb};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Acceleration, Distance, Velocity};

use super::bench::{Bench, read, replayed, strict, told, velocity};
use crate::device::Switch;
use crate::dice::Dice;
use crate::inject::{Bits, DataLine, Fault, Lasts, Line, Script, Start};
use crate::replay::{Divergence, Meaning, Options};

const OURS: [&Layout; 2] = [&Latched::LAYOUT, &FixedWord::LAYOUT];

/// A run with a few words before and many after, and something between.
fn run(layout: &'static Layout, between: impl FnOnce(&mut Bench)) -> Bench {
    let mut bench = Bench::new(layout, 2);
    let slope = Acceleration::from_steps_per_s2(1600).unwrap();
    bench.to(1, Command::write(Parameter::ProfileAcceleration, slope));
    bench.to(0, velocity(120));
    bench.wait_ms(400);
    bench.to(0, Command::TakeStatus);
    bench.to(1, Command::TakeStatus);
    between(&mut bench);
    for _ in 0..3 {
        bench.wait_ms(50);
        for device in [0, 1] {
            bench.to(device, Command::PeekStatus);
            bench.to(device, read(Parameter::PositionDemandValue));
            bench.to(device, read(Parameter::ProfileAcceleration));
            bench.to(device, read(Parameter::VelocityDemandValue));
        }
    }
    bench
}

#[track_caller]
fn only(found: &[Divergence]) -> &Divergence {
    let [only] = found else { panic!("expected one divergence, found {}:\n{}", found.len(), told(found)) };
    only
}

#[test]
fn without_a_fault_there_is_no_divergence() {
    for layout in OURS {
        let found = run(layout, |_| {}).replayed(&strict());
        assert!(found.is_empty(), "{}", told(&found));
    }
}

/// Every bit of every answer is turned over once, alone: each is a divergence of that very frame and device, or of the
/// frame that ends the answer, and nothing follows from it.
#[test]
fn each_flipped_bit_of_an_answer_is_one_divergence_at_its_own_frame() {
    for layout in OURS {
        let bench = run(layout, |_| {});
        let unit = usize::from(layout.wire.unit_bits);
        let mut dice = Dice::new(7, 0);
        for _ in 0..40 {
            let mut frames = bench.frames.clone();
            let number = dice.below(frames.len() as u64 - 30) as usize;
            let bit = dice.below(2 * unit as u64) as usize;
            let miso = frames[number].miso.as_mut().unwrap();
            miso[bit] = !miso[bit];
            let found = replayed(layout, 2, &frames, &strict());
            let one = only(&found);
            assert_eq!(one.frame, number as u64, "bit {bit}: {one}");
            assert_eq!(one.device, 1 - bit / unit, "bit {bit}: {one}");
            let flag_alone =
                matches!(one.meaning, Meaning::Reset { .. } | Meaning::Refused { .. } | Meaning::Condition { .. });
            assert!(matches!(one.meaning, Meaning::ReadBits { bits: 1, .. }) || flag_alone, "bit {bit}: {one}");
        }
    }
}

#[test]
fn a_device_that_has_reset_is_told_once_and_followed_from_there() {
    for layout in OURS {
        let bench = run(layout, |bench| {
            bench.wait_ms(30);
            bench.chain.reset_node(0);
        });
        let found = bench.replayed(&strict());
        let one = only(&found);
        assert!(matches!(one.meaning, Meaning::Reset { .. }), "{one}");
        assert_eq!(one.device, 0);
    }
}
