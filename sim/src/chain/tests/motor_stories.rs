//! Motors in stories that a seed makes up: commands, faults, resets and new numbers as they come.

use super::motors::{DOWN, SET, STOP, UP, attached, seen, send, setup};
use super::*;
use crate::device::Switch;
use crate::inject::{Fault, Lasts, Script, Start, Winding};

/// Numbers by a shift register with feedback.
struct Drawn(u64);

impl Drawn {
    fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % end
    }
}

/// Something that can happen to an axis with a motor.
fn happen(chain: &VirtualChain, drawn: &mut Drawn) {
    let fault = |fault: Fault, drawn: &mut Drawn| {
        let start = Start::At(chain.now_ns() + drawn.below(30 * MS));
        chain.inject(&Script::new().with(fault, start, Lasts::Ns(1 + drawn.below(50 * MS)), 0)).unwrap();
    };
    match drawn.below(14) {
        0 => send(chain, &UP),
        1 => send(chain, &DOWN),
        2 => send(chain, &STOP),
        3 => send(chain, &[0x8815, drawn.below(8) as u16]),
        4 => chain.set_position(0, 0, drawn.below(100_000) as i64 - 50_000),
        5 => {
            chain.reset_node(0);
            send(chain, &SET);
        }
        6 => send(chain, &[0xB400, 50 * drawn.below(1_000) as u16]),
        7 => send(chain, &[0x3942]),
        8 => send(chain, &[0x8820, drawn.below(512) as u16]),
        9 => fault(Fault::BlockedRotor { device: 0, axis: 0 }, drawn),
        10 => fault(Fault::OpenWinding { device: 0, axis: 0, winding: Winding::A }, drawn),
        11 => fault(Fault::Undervoltage { device: 0 }, drawn),
        12 => fault(Fault::ResetNode { device: 0 }, drawn),
        _ => {
            let from_steps = drawn.below(50) as f64;
            chain.set_switch(0, 0, Switch::ClosedBetween { from_steps, to_steps: from_steps + 20.0 });
            chain.set_end_stop(0, 0, drawn.below(400) as f64 - 200.0);
        }
    }
}

/// What is seen at the end of a story; `pass` lets time go on between two things that happen.
fn story(seed: u64, mut pass: impl FnMut(&VirtualChain, u64)) -> (String, u64, [u64; 4], u64) {
    let mut drawn = Drawn(seed);
    let chain = attached(&setup());
    send(&chain, &SET);
    for _ in 0..14 {
        happen(&chain, &mut drawn);
        let end_ns = chain.now_ns() + drawn.below(120 * MS);
        pass(&chain, end_ns);
        assert!(chain.rotor_steps(0, 0).abs() < 1e3, "{} in story {seed}", chain.rotor_steps(0, 0));
        let currents_a = chain.motor(0, 0).unwrap().currents_a();
        assert!(currents_a.iter().all(|current_a| current_a.abs() < 24.0 / 1.5), "{currents_a:?} in story {seed}");
    }
    seen(&chain)
}

/// Time that is cut where nothing happens, questions and forks on the way: all is the same.
#[test]
fn whatever_happens_to_a_motor_does_not_depend_on_who_looks_when() {
    for seed in [92_847, 1_234_577, 55_511] {
        let at_once = story(seed, |chain, end_ns| chain.advance_ns(end_ns - chain.now_ns()));
        let mut cuts = Drawn(seed + 1);
        let in_pieces = story(seed, |chain, end_ns| {
            while chain.now_ns() < end_ns {
                chain.advance_ns((1 + cuts.below(9 * MS)).min(end_ns - chain.now_ns()));
                let _ = (chain.motor(0, 0), chain.status(0), chain.lost_steps(0, 0));
                chain.fork().advance_ns(MS);
            }
        });
        assert_eq!(in_pieces, at_once, "story {seed}");
    }
}

/// While a motor turns something may always come, so that a wait in vain needs a bound, as on a board.
#[test]
fn a_wait_in_vain_beside_a_delay_ends_with_the_delay_while_a_motor_turns() {
    use embassy_futures::select::{Either, select};
    use embedded_hal_async::digital::Wait;
    let chain = attached(&setup());
    send(&chain, &SET);
    send(&chain, &[0xB400, 100 * 50]);
    let mut line = chain.fault_pin(Span::Chain, embedded_hal::digital::PinState::High);
    let (begun_ns, mut delay) = (chain.now_ns(), chain.delay());
    let bounded = select(line.wait_for_high(), embedded_hal_async::delay::DelayNs::delay_ms(&mut delay, 300));
    assert!(matches!(embassy_futures::block_on(bounded), Either::Second(())));
    assert_eq!(chain.now_ns() - begun_ns, 300 * MS);
}
