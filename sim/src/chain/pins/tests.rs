//! Lines that are looked at and driven, by hand-worked instants. Who waits together with whom is in `waits`.

use embassy_futures::block_on;
use embedded_hal::spi::SpiDevice;
use stepchain::map::{Flag, Layout, RegisterMap};
use stepchain::reference::{FixedWord, Latched};

use super::*;

const MS: u64 = 1_000_000;

/// A run up to 100 steps/s at 1000 steps/s²: busy for 100 ms.
const RUN: [[u8; 2]; 2] = [[0xB4, 0x00], [0x13, 0x88]];
const FILLER: [u8; 2] = [0x7E, 0x7E];

fn chain(layout: &'static Layout, devices: usize) -> VirtualChain {
    VirtualChain::new(layout, devices).expect("the map is valid")
}

/// Lets one device of two run and gives the instant at which it begins.
fn run(chain: &VirtualChain, device: usize) -> u64 {
    for unit in RUN {
        let frame = if device == 1 { [unit, FILLER] } else { [FILLER, unit] };
        SpiDevice::write(&mut chain.spi(), frame.as_flattened()).unwrap();
    }
    chain.now_ns()
}

#[test]
fn a_busy_line_is_one_devices_or_the_whole_chains_and_active_at_the_level_that_was_chosen() {
    let chain = chain(&Latched::LAYOUT, 2);
    let lows = || {
        [Span::Device(0), Span::Device(1), Span::Chain]
            .map(|span| chain.busy_pin(span, PinState::Low).is_low().unwrap())
    };
    assert_eq!(lows(), [false; 3]);
    run(&chain, 1);
    assert_eq!(lows(), [false, true, true]);
    let mut active_high = chain.busy_pin(Span::Device(1), PinState::High);
    assert!(active_high.is_high().unwrap() && !active_high.is_low().unwrap());
    chain.advance_ns(100 * MS - 1);
    assert_eq!(lows(), [false, true, true]);
    chain.advance_ns(1);
    assert_eq!(lows(), [false; 3], "the velocity is reached");
    assert!(active_high.is_low().unwrap() && !active_high.is_high().unwrap());
}

/// Latched keeps its overcurrent bit until a fault reset, which is 0x1799.
#[test]
fn a_fault_line_stays_active_until_the_fault_is_gone_and_its_flag_is_cleared() {
    let chain = chain(&Latched::LAYOUT, 2);
    let mut spans = [Span::Device(0), Span::Device(1), Span::Chain].map(|span| chain.fault_pin(span, PinState::Low));
    let mut lows = || [0, 1, 2].map(|pin: usize| spans[pin].is_low().unwrap());
    let fault_reset = || SpiDevice::write(&mut chain.spi(), &[0x7E, 0x7E, 0x17, 0x99]).unwrap();
    assert_eq!(lows(), [false; 3]);
    chain.set_condition(0, 0, Flag::Overcurrent, true);
    assert_eq!(lows(), [true, false, true]);
    fault_reset();
    assert_eq!(lows(), [true, false, true], "it lasts");
    chain.set_condition(0, 0, Flag::Overcurrent, false);
    assert_eq!(lows(), [true, false, true], "it is latched");
    fault_reset();
    assert_eq!(lows(), [false; 3]);
}

#[test]
fn a_fault_that_a_map_does_not_latch_is_on_the_line_as_long_as_it_lasts() {
    let chain = chain(&FixedWord::LAYOUT, 1);
    let mut line = chain.fault_pin(Span::Chain, PinState::Low);
    for holds in [true, false, true, false] {
        chain.set_condition(0, 0, Flag::Fault, holds);
        assert_eq!(line.is_low(), Ok(holds));
    }
}

#[test]
fn a_warning_and_a_stall_leave_the_fault_line_alone() {
    let chain = chain(&FixedWord::LAYOUT, 1);
    let mut fault = chain.fault_pin(Span::Chain, PinState::High);
    for flag in [Flag::OvertemperatureWarning, Flag::StallA] {
        chain.set_condition(0, 0, flag, true);
        assert!(fault.is_low().unwrap(), "{flag:?}");
    }
    chain.set_condition(0, 0, Flag::Undervoltage, true);
    assert!(fault.is_high().unwrap());
}

#[test]
fn a_line_in_place_of_the_home_switch_is_seen_by_the_device_and_by_the_processor() {
    let chain = chain(&FixedWord::LAYOUT, 2);
    let mut drive = chain.home_switch_drive(1, 0, PinState::Low);
    let mut read = chain.home_switch_pin(1, 0, PinState::High);
    let mut other = chain.home_switch_pin(0, 0, PinState::High);
    assert!(drive.is_set_high().unwrap(), "not active at first");
    assert!(read.is_low().unwrap());
    drive.set_low().unwrap();
    assert!(drive.is_set_low().unwrap() && !drive.is_set_high().unwrap());
    assert!(read.is_high().unwrap() && other.is_low().unwrap());
    chain.home_switch_drive(1, 0, PinState::Low).toggle().unwrap();
    assert!(read.is_low().unwrap() && drive.is_set_high().unwrap(), "another pin on the same line");
}

#[test]
fn a_home_switch_of_the_machine_is_read_at_the_instant() {
    let chain = chain(&Latched::LAYOUT, 2);
    chain.set_switch(1, 0, Switch::ClosedBetween { from_steps: 5.0, to_steps: 6.0 });
    let mut read = chain.home_switch_pin(1, 0, PinState::High);
    let begun_ns = run(&chain, 1);
    // After 100 ms the axis has gone 5 steps and runs at 100 steps/s, 6400 microsteps/s.
    assert_eq!(block_on(read.wait_for_high()), Ok(()));
    assert_eq!(chain.now_ns() - begun_ns, 100 * MS);
    assert_eq!(chain.position(1, 0), 5 * 64);
    assert_eq!(block_on(read.wait_for_low()), Ok(()));
    let (now_ns, engine) = (chain.now_ns(), chain.engine(1, 0));
    assert_eq!([now_ns - 1, now_ns].map(|at_ns| engine.position(at_ns)), [6 * 64, 6 * 64 + 1], "not a nanosecond late");
    assert!((now_ns - begun_ns).abs_diff(100 * MS + 10_156_250) <= 1, "65 microsteps at 6400 microsteps/s");
    assert_eq!(block_on(read.wait_for_high()), Err(PinError::NeverComes));
}

/// The command is 0x0A66 to follow pulses downwards and 0x0A99 upwards.
#[test]
fn each_edge_to_the_active_level_is_one_microstep_in_the_commanded_direction() {
    let chain = chain(&Latched::LAYOUT, 1);
    let mut pulses = chain.step_pulse_drive(0, 0, PinState::High);
    pulses.set_high().unwrap();
    assert_eq!(chain.position(0, 0), 0, "nobody follows");
    SpiDevice::write(&mut chain.spi(), &[0x0A, 0x66]).unwrap();
    pulses.set_high().unwrap();
    assert_eq!(chain.position(0, 0), 0, "high before and after is no edge");
    for _ in 0..3 {
        pulses.set_low().unwrap();
        pulses.clone().set_high().unwrap();
    }
    assert_eq!(chain.position(0, 0), -3);
    let mut falling = chain.step_pulse_drive(0, 0, PinState::Low);
    falling.set_low().unwrap();
    falling.toggle().unwrap();
    assert_eq!(chain.position(0, 0), -4, "active low");
}

#[test]
#[should_panic(expected = "the chain has 2 devices, counted from 0, and no device 2")]
fn a_line_of_a_device_that_is_not_there_is_a_mistake_of_the_test() {
    let _ = chain(&Latched::LAYOUT, 2).busy_pin(Span::Device(2), PinState::Low);
}

#[test]
#[should_panic(expected = "a device has 1 axes, counted from 0, and no axis 1")]
fn a_line_of_an_axis_that_is_not_there_is_a_mistake_of_the_test() {
    let _ = chain(&Latched::LAYOUT, 2).step_pulse_drive(0, 1, PinState::Low);
}
