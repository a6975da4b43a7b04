//! Scripts that cannot be carried out, and the words for faults.

use super::*;

fn check(fault: Fault, start: Start, lasts: Lasts) -> Result<(), InjectError> {
    Script::new().with(fault, start, lasts, 0).check(&[1, 2])
}

const FLIPS: fn(Bits) -> Fault = |bits| Fault::BitFlips { line: DataLine::Mosi, bits };

#[test]
fn a_fault_of_what_the_chain_does_not_have_is_refused() {
    let at = |fault| check(fault, Start::At(0), Lasts::ForEver);
    assert_eq!(at(Fault::ResetNode { device: 2 }), Err(InjectError::NoSuchDevice { device: 2, devices: 2 }));
    let axis = |device, axis| at(Fault::BlockedRotor { device, axis });
    assert_eq!(axis(0, 1), Err(InjectError::NoSuchAxis { device: 0, axis: 1, axes: 1 }));
    assert_eq!(axis(1, 1), Ok(()));
    let behind = |device| at(Fault::StuckLine { line: Line::Behind(device), level: PinState::Low });
    assert_eq!(behind(0), Ok(()));
    assert_eq!(behind(1), Err(InjectError::NothingBehind { device: 1, devices: 2 }));
}

#[test]
fn a_start_that_can_never_come_is_refused() {
    let at = |start| check(Fault::ResetNode { device: 0 }, start, Lasts::Instant);
    assert_eq!(at(Start::Motion { device: 0, axis: 0, nth: 0 }), Err(InjectError::NoMotion));
    assert_eq!(
        at(Start::Motion { device: 0, axis: 1, nth: 1 }),
        Err(InjectError::NoSuchAxis { device: 0, axis: 1, axes: 1 })
    );
    assert_eq!(
        at(Start::Velocity { device: 0, axis: 0, steps_per_s: 0.0 }),
        Err(InjectError::NoVelocity { found: 0.0 })
    );
    assert!(at(Start::Position { device: 0, axis: 0, steps: f64::NAN }).is_err());
    assert_eq!(at(Start::Position { device: 1, axis: 1, steps: -0.5 }), Ok(()));
}

#[test]
fn a_fault_that_would_change_nothing_is_refused() {
    let at = |fault, lasts| check(fault, Start::At(0), lasts);
    for lasts in [Lasts::Instant, Lasts::Ns(0), Lasts::Frames(0)] {
        assert_eq!(at(FLIPS(Bits::Each(1.0)), lasts), Err(InjectError::NoEffect), "{lasts:?}");
        assert_eq!(at(Fault::BlockedRotor { device: 0, axis: 0 }, lasts), Err(InjectError::NoEffect), "{lasts:?}");
        assert_eq!(at(Fault::Undervoltage { device: 0 }, lasts), Ok(()), "{lasts:?}");
    }
    assert_eq!(at(FLIPS(Bits::At(vec![])), Lasts::ForEver), Err(InjectError::NoEffect));
    assert_eq!(at(Fault::LostClocks { count: 0 }, Lasts::ForEver), Err(InjectError::NoEffect));
    assert_eq!(at(FLIPS(Bits::Each(1.5)), Lasts::ForEver), Err(InjectError::NoProbability { found: 1.5 }));
    assert!(at(FLIPS(Bits::Each(f64::NAN)), Lasts::ForEver).is_err());
}

#[test]
fn every_fault_is_told_in_words() {
    let told = |fault: Fault| fault.to_string();
    assert_eq!(told(FLIPS(Bits::Each(0.01))), "bit flips on mosi, each bit with a probability of 0.01");
    assert_eq!(told(FLIPS(Bits::At(vec![3, 17]))), "bit flips on mosi, at 3, 17 of each frame");
    let line = Line::Behind(1);
    assert_eq!(told(Fault::StuckLine { line, level: PinState::High }), "the line behind device 1 stuck high");
    let winding = Winding::B;
    assert_eq!(told(Fault::OpenWinding { device: 1, axis: 0, winding }), "open winding B of axis 0 of device 1");
}
