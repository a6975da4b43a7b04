//! Futures that wait side by side: each meets its own instant, in whatever order they are polled.

use std::cell::RefCell;

use embassy_futures::join::{join, join3};
use embassy_futures::select::{Either, select};
use embassy_futures::{block_on, poll_once, yield_now};
use embedded_hal::digital::{InputPin, OutputPin, PinState};
use embedded_hal::spi::{Operation, SpiDevice};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use stepchain::map::{Flag, RegisterMap};
use stepchain::reference::Latched;

use crate::chain::{PATIENCE, PinError, Span, VirtualChain};
use crate::device::Switch;

const MS: u64 = 1_000_000;

fn chain() -> VirtualChain {
    VirtualChain::new(&Latched::LAYOUT, 1).expect("the map is valid")
}

async fn pause_ms(chain: &VirtualChain, ms: u32) {
    DelayNs::delay_ms(&mut chain.delay(), ms).await;
}

/// Up to 100 steps/s at 1000 steps/s²: busy for 100 ms. Gives the instant at which it begins.
fn run(chain: &VirtualChain) -> u64 {
    for unit in [[0xB4, 0x00], [0x13, 0x88]] {
        SpiDevice::write(&mut chain.spi(), &unit).unwrap();
    }
    chain.now_ns()
}

#[test]
fn delays_side_by_side_end_each_at_its_own_instant_in_either_order() {
    for durations in [[5, 3], [3, 5], [4, 4]] {
        let chain = chain();
        let ended = durations.map(|ms| {
            let chain = &chain;
            async move {
                pause_ms(chain, ms).await;
                chain.now_ns()
            }
        });
        let [first, second] = ended;
        let ended = block_on(join(first, second));
        assert_eq!([ended.0, ended.1], durations.map(|ms| u64::from(ms) * MS));
        assert_eq!(chain.now_ns(), u64::from(durations[0].max(durations[1])) * MS);
    }
}

#[test]
fn tasks_that_wait_again_and_again_interleave_in_the_order_of_their_instants() {
    let chain = chain();
    let log = RefCell::new(Vec::new());
    let task = |name: char, period_ms: u32, rounds: usize| {
        let (chain, log) = (&chain, &log);
        async move {
            for _ in 0..rounds {
                pause_ms(chain, period_ms).await;
                log.borrow_mut().push((chain.now_ns() / MS, name));
            }
        }
    };
    block_on(join3(task('a', 5, 3), task('b', 3, 4), task('c', 7, 2)));
    let expected = [(3, 'b'), (5, 'a'), (6, 'b'), (7, 'c'), (9, 'b'), (10, 'a'), (12, 'b'), (14, 'c'), (15, 'a')];
    assert_eq!(log.into_inner(), expected);
    assert_eq!(chain.now_ns(), 15 * MS);
}

#[test]
fn what_happens_at_a_shorter_delay_is_seen_at_that_instant() {
    let chain = chain();
    let mut fault = chain.fault_pin(Span::Chain, PinState::Low);
    let strike = async {
        pause_ms(&chain, 3).await;
        chain.set_condition(0, 0, Flag::Overcurrent, true);
    };
    let see = async {
        assert_eq!(fault.wait_for_falling_edge().await, Ok(()));
        chain.now_ns()
    };
    let ((), seen_ns, ()) = block_on(join3(strike, see, pause_ms(&chain, 5)));
    assert_eq!((seen_ns, chain.now_ns()), (3 * MS, 5 * MS));
}

#[test]
fn a_wait_with_a_time_limit_ends_by_whichever_comes_first() {
    for (limit_ms, expected_ns) in [(99, 99 * MS), (101, 100 * MS)] {
        let chain = chain();
        let mut busy = chain.busy_pin(Span::Chain, PinState::Low);
        let begun_ns = run(&chain);
        let ended = block_on(select(busy.wait_for_high(), pause_ms(&chain, limit_ms)));
        assert_eq!(matches!(ended, Either::First(Ok(()))), limit_ms == 101);
        assert_eq!(chain.now_ns() - begun_ns, expected_ns);
    }
}

#[test]
fn a_wait_for_what_never_comes_lasts_as_long_as_its_time_limit() {
    let chain = chain();
    let mut busy = chain.busy_pin(Span::Chain, PinState::Low);
    assert!(matches!(block_on(select(busy.wait_for_low(), pause_ms(&chain, 4))), Either::Second(())));
    assert_eq!(chain.now_ns(), 4 * MS);
    assert_eq!(block_on(busy.wait_for_low()), Err(PinError::NeverComes));
    assert_eq!(chain.now_ns(), 4 * MS);
}

#[test]
fn each_kind_of_edge_is_met_where_it_is_and_a_level_that_is_there_at_once() {
    let chain = chain();
    let mut drive = chain.home_switch_drive(0, 0, PinState::High);
    let wiggle = async {
        for _ in 0..2 {
            for level in [PinState::High, PinState::Low] {
                pause_ms(&chain, 1).await;
                drive.set_state(level).unwrap();
            }
        }
    };
    let see = async {
        let mut pin = chain.home_switch_pin(0, 0, PinState::High);
        let mut seen = Vec::new();
        pin.wait_for_low().await.unwrap();
        seen.push(chain.now_ns() / MS);
        pin.wait_for_any_edge().await.unwrap();
        seen.push(chain.now_ns() / MS);
        pin.wait_for_high().await.unwrap();
        seen.push(chain.now_ns() / MS);
        pin.wait_for_rising_edge().await.unwrap();
        seen.push(chain.now_ns() / MS);
        pin.wait_for_falling_edge().await.unwrap();
        seen.push(chain.now_ns() / MS);
        assert_eq!(pin.wait_for_any_edge().await, Err(PinError::NeverComes));
        seen
    };
    assert_eq!(block_on(join(wiggle, see)).1, [0, 1, 1, 3, 4]);
}

#[test]
fn an_edge_that_came_and_went_while_another_task_kept_the_processor_ends_the_wait() {
    let chain = chain();
    let block = async {
        run(&chain);
        embedded_hal::delay::DelayNs::delay_ms(&mut chain.delay(), 500);
        chain.now_ns()
    };
    let [mut level, mut edge] = [0; 2].map(|_| chain.busy_pin(Span::Chain, PinState::Low));
    let (level, edge, blocked_ns) = block_on(join3(level.wait_for_low(), edge.wait_for_rising_edge(), block));
    assert_eq!((level, edge), (Ok(()), Ok(())));
    assert_eq!(chain.now_ns(), blocked_ns);
    assert!(chain.busy_pin(Span::Chain, PinState::Low).is_high().unwrap(), "it is over");
}

/// The second transaction waits for half a second with chip select low, long enough for the run to be over, and then
/// stops the axis (0x3C18): no trace of the run is left in the device.
#[test]
fn an_edge_between_two_selections_ends_the_wait() {
    let chain = chain();
    let talk = async {
        run(&chain);
        let stop = &mut [Operation::DelayNs(500_000_000), Operation::Write(&[0x3C, 0x18])];
        SpiDevice::transaction(&mut chain.spi(), stop).unwrap();
    };
    let [mut level, mut edge] = [0; 2].map(|_| chain.busy_pin(Span::Chain, PinState::Low));
    let (level, edge, ()) = block_on(join3(level.wait_for_low(), edge.wait_for_rising_edge(), talk));
    assert_eq!((level, edge), (Ok(()), Ok(())));
}

#[test]
fn a_line_that_falls_and_rises_at_one_instant_has_fallen() {
    let chain = chain();
    let mut fault = chain.fault_pin(Span::Chain, PinState::Low);
    let strike = async {
        pause_ms(&chain, 2).await;
        chain.set_condition(0, 0, Flag::Warning, true);
        let mut drive = chain.home_switch_drive(0, 0, PinState::High);
        drive.set_high().unwrap();
        drive.set_low().unwrap();
    };
    let mut switch = chain.home_switch_pin(0, 0, PinState::High);
    let waits = join(switch.wait_for_high(), fault.wait_for_low());
    assert_eq!(block_on(join(waits, strike)).0, (Ok(()), Err(PinError::NeverComes)));
    assert_eq!(chain.now_ns(), 2 * MS);
}

#[test]
fn an_edge_before_the_wait_is_not_for_the_one_who_comes_later() {
    let chain = chain();
    run(&chain);
    chain.advance_ns(500 * MS);
    let mut busy = chain.busy_pin(Span::Chain, PinState::Low);
    assert_eq!(block_on(busy.wait_for_any_edge()), Err(PinError::NeverComes));
}

#[test]
fn several_may_wait_for_one_line() {
    let chain = chain();
    let begun_ns = run(&chain);
    let [mut first, mut second] = [0; 2].map(|_| chain.busy_pin(Span::Chain, PinState::Low));
    let see = |ended: Result<(), PinError>| (ended, chain.now_ns() - begun_ns);
    let ended =
        block_on(join(async { see(first.wait_for_rising_edge().await) }, async { see(second.wait_for_high().await) }));
    assert_eq!(ended, ((Ok(()), 100 * MS), (Ok(()), 100 * MS)));
}

#[test]
fn a_future_that_is_dropped_waits_no_longer_and_has_let_no_time_pass() {
    let chain = chain();
    assert!(poll_once(pause_ms(&chain, 1)).is_pending());
    block_on(pause_ms(&chain, 7));
    assert_eq!(chain.now_ns(), 7 * MS);
    assert!(poll_once(pause_ms(&chain, 2)).is_pending());
    assert_eq!(chain.world().agenda.earliest_after(0), None, "nobody waits");
}

/// It is kept, but nobody polls it: its instant is an instant like any other.
#[test]
fn a_future_that_nobody_polls_holds_up_nobody() {
    let chain = chain();
    let mut kept = std::pin::pin!(pause_ms(&chain, 2));
    assert!(poll_once(kept.as_mut()).is_pending());
    block_on(pause_ms(&chain, 7));
    assert_eq!(chain.now_ns(), 7 * MS);
    assert!(poll_once(kept).is_ready());
}

#[test]
fn a_task_that_yields_a_few_times_is_not_overtaken() {
    let chain = chain();
    let slow_thinker = async {
        for _ in 0..PATIENCE - 1 {
            yield_now().await;
        }
        pause_ms(&chain, 1).await;
        chain.now_ns()
    };
    assert_eq!(block_on(join(pause_ms(&chain, 5), slow_thinker)).1, MS);
    assert_eq!(chain.now_ns(), 5 * MS);
}

#[test]
fn by_hand_time_goes_on_only_where_it_is_told_to_and_nobody_gives_up() {
    let chain = chain();
    chain.set_time_by_hand(true);
    let mut busy = chain.busy_pin(Span::Chain, PinState::Low);
    let mut pause = std::pin::pin!(pause_ms(&chain, 5));
    let mut wait = std::pin::pin!(busy.wait_for_low());
    for _ in 0..10 * PATIENCE {
        assert!(poll_once(pause.as_mut()).is_pending());
        assert!(poll_once(wait.as_mut()).is_pending());
    }
    assert_eq!(chain.now_ns(), 0);
    chain.advance_ns(5 * MS - 1);
    assert!(poll_once(pause.as_mut()).is_pending());
    chain.advance_ns(1);
    assert!(poll_once(pause).is_ready());
    run(&chain);
    assert!(poll_once(wait).is_ready());
}

/// By hand: 2³² − 1 ms are 4 294 967.295 s.
#[test]
fn the_longest_delays_and_none_at_all_are_exact() {
    let chain = chain();
    let mut delay = chain.delay();
    block_on(async {
        DelayNs::delay_ns(&mut delay, 0).await;
        assert_eq!(chain.now_ns(), 0);
        DelayNs::delay_ns(&mut delay, 1).await;
        DelayNs::delay_us(&mut delay, u32::MAX).await;
        DelayNs::delay_ms(&mut delay, u32::MAX).await;
    });
    assert_eq!(chain.now_ns(), 1 + 4_294_967_295_000 + 4_294_967_295_000_000);
}

#[test]
fn the_clock_reads_the_same_in_each_of_its_measures() {
    let chain = chain();
    let clock = chain.clock();
    chain.advance_ns(1_234_567_891);
    assert_eq!(clock.now(), core::time::Duration::new(1, 234_567_891));
    assert_eq!(clock.instant().duration_since_epoch().to_micros(), 1_234_567);
    let later = clock.now() + core::time::Duration::from_nanos(1);
    assert_eq!(clock.elapsed_since(later), core::time::Duration::ZERO);
}

/// By hand: 6.4e10 microsteps at 1.28/s are 5e10 s, and time ends after 1.8e10.
#[test]
fn an_edge_that_lies_behind_the_end_of_time_never_comes() {
    let chain = chain();
    chain.set_switch(0, 0, Switch::ClosedBetween { from_steps: 1e9, to_steps: 2e9 });
    for unit in [[0xB4, 0x00], [0x00, 0x01]] {
        SpiDevice::write(&mut chain.spi(), &unit).unwrap();
    }
    let mut switch = chain.home_switch_pin(0, 0, PinState::High);
    assert_eq!(block_on(switch.wait_for_high()), Err(PinError::NeverComes));
    assert!(chain.now_ns() < 1_000 * MS, "nobody has waited for it");
    chain.advance_ns(u64::MAX);
    assert_eq!(chain.velocity_steps_per_s(0, 0), 0.02);
    assert_eq!(switch.is_high(), Ok(false));
}
