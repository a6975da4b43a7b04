//! Bare writes and commands on a device with two axes: which of them is each guard's business.

use super::*;
use crate::map::{CommandForm, Layout, Piece, Register, Verb, Wire, Write};

/// Turning on is two writes; both axes have the same resolution, the rest is each one's own.
const PAIR: Layout = Layout::new("pair", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .axes(2)
    .registers(&[
        Register::new(Parameter::TargetVelocity, 1, 8).named("first speed"),
        Register::new(Parameter::PositionDemandValue, 2, 8),
        Register::new(Parameter::ProfileVelocity, 3, 8),
        Register::new(Parameter::MicrostepResolution, 4, 8),
        Register::new(Parameter::TargetVelocity, 0x11, 8).named("second speed").axis(1),
        Register::new(Parameter::PositionDemandValue, 0x12, 8).axis(1),
        Register::new(Parameter::ProfileVelocity, 0x13, 8).axis(1),
    ])
    .commands(&[CommandForm::writes(Verb::MoveVelocity, &[Write::argument(Parameter::TargetVelocity)])]);

fn write(parameter: Parameter) -> Command {
    Command::WriteContent { parameter, content: 1 }
}

fn touches(parameter: Parameter, written: u8) -> [Touch; 2] {
    [0, 1].map(|axis| Touch::of(&PAIR, write(parameter).on(written), axis))
}

/// By hand: 0x01 and 0x11 are the two speeds, 0x02 and 0x12 the two counters.
#[test]
fn a_bare_write_touches_the_axis_whose_register_it_is_and_no_other() {
    let (first, second) = (Touch::Motion("first speed"), Touch::Motion("second speed"));
    assert_eq!(touches(Parameter::TargetVelocity, 0), [first, Touch::Nothing]);
    assert_eq!(touches(Parameter::TargetVelocity, 1), [Touch::Nothing, second]);
    assert_eq!(touches(Parameter::PositionDemandValue, 0), [Touch::Count, Touch::Nothing]);
    assert_eq!(touches(Parameter::PositionDemandValue, 1), [Touch::Nothing, Touch::Count]);
    assert_eq!(touches(Parameter::ProfileVelocity, 1), [Touch::Nothing; 2]);
}

#[test]
fn a_bare_write_of_what_both_axes_share_touches_both() {
    for axis in [0, 1] {
        assert_eq!(touches(Parameter::MicrostepResolution, axis), [Touch::Count; 2]);
    }
}

/// What the guard of axis 1 thinks of the position after a command that was sent.
fn trust_of_axis_1_after(asked: AxisCommand) -> Trust {
    let mut guard = guard(-100, 100).axis(1);
    guard.announce(&PAIR, asked);
    guard.settle(Fate::Sent);
    guard.tracker.trust()
}

#[test]
fn a_command_of_one_axis_is_of_no_account_to_the_other_and_one_of_the_device_is() {
    let withdrawn = Trust::Unknown(Doubt::Withdrawn);
    let home = Command::HomeOnCurrentPosition;
    assert_eq!([0, 1].map(|axis| trust_of_axis_1_after(home.on(axis))), [Trust::Homed, withdrawn]);
    for axis in [0, 1] {
        assert_eq!(trust_of_axis_1_after(Command::RestoreDefaults.on(axis)), withdrawn);
        assert_eq!(trust_of_axis_1_after(Command::ResetNode.on(axis)), Trust::Unknown(Doubt::DeviceReset));
    }
    let counter = write(Parameter::PositionDemandValue);
    assert_eq!([0, 1].map(|axis| trust_of_axis_1_after(counter.on(axis))), [Trust::Homed, withdrawn]);
}

/// By hand: read at 50, the axis may be led by the pulses to either limit, and one microstep on from there is outside.
#[test]
fn outside_pulses_may_lead_an_axis_either_way_whatever_their_direction() {
    for direction in [Direction::Positive, Direction::Negative] {
        let mut guard = guard(-100, 100).permitting_open_ends();
        guard.sends(Command::PulseInput { direction }).unwrap();
        guard.reads(50).unwrap();
        for (distance, end) in [(1, 101), (-1, -101)] {
            let error = guard.check(by(distance)).unwrap_err();
            assert!(matches!(error, Refused::Limit(LimitError::EndsOutside { end: found, .. }) if found == at(end)));
        }
        assert!(guard.check(by(0)).is_ok());
    }
}

/// Permitted where nobody knows the end; once it is not permitted any more, it is not.
#[test]
fn outside_pulses_may_run_within_limits_only_if_that_is_permitted() {
    let pulses = Command::PulseInput { direction: Direction::Negative };
    let mut guard = guard(-100, 100);
    assert_eq!(guard.check(pulses), unknown(EndUnknown::PulseInput));
    guard.open_ended = true;
    assert!(guard.check(pulses).is_ok());
}
