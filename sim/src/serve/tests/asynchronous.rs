//! The async end of the link: the same requests as the blocking one's, shared by tasks, and dropped amid an exchange.

use std::pin::pin;
use std::task::{Context, Waker};

use embassy_futures::join::join;
use embassy_futures::{block_on, yield_now};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::SpiDevice;
use stepchain_link::{AsyncLink, AsyncTransport};

use super::*;

/// A line on which each byte that comes and each write lets the other tasks have their turn first, and which is cut after
/// so many writes.
struct Slow(Pipe, u32);

impl AsyncTransport for Slow {
    type Error = Infallible;

    async fn write(&mut self, bytes: &[u8]) -> Result<(), Infallible> {
        yield_now().await;
        self.1 = self.1.saturating_sub(1);
        if self.1 > 0 { Transport::write(&mut self.0, bytes) } else { Ok(()) }
    }

    async fn read(&mut self) -> Result<Option<u8>, Infallible> {
        yield_now().await;
        Transport::read(&mut self.0)
    }
}

fn link(line: Line1000, seed: u64) -> (AsyncLink<Slow>, Rc<RefCell<Offer>>) {
    let (pipe, offer) = Pipe::new(offer(), line, seed);
    let (link, greeting) =
        block_on(AsyncLink::begin(Slow(pipe, u32::MAX), 0xBEEF)).map_err(|(error, _)| error).unwrap();
    assert_eq!((greeting.devices, greeting.now_ns), (2, 0));
    (link, offer)
}

/// As [`act`], which blocks.
async fn act_async(link: &AsyncLink<Slow>, acts: &[Act]) -> Result<Vec<Vec<u8>>, LinkError<Infallible>> {
    let (mut spi, mut delay, mut seen) = (link.spi(), link.delay(), Vec::new());
    for act in acts {
        seen.push(match act {
            Act::Shift(bytes, ns) => {
                let (mut first, mut second) = (bytes.clone(), [0; 3]);
                spi.transaction(&mut [
                    Operation::TransferInPlace(&mut first),
                    Operation::DelayNs(*ns),
                    Operation::Transfer(&mut second, &[1]),
                    Operation::Write(&[2, 3]),
                ])
                .await?;
                [&first[..], &second].concat()
            }
            Act::Read(count) => {
                let mut bytes = vec![0xFF; *count];
                spi.read(&mut bytes).await?;
                bytes
            }
            Act::Delay(ns) => {
                delay.delay_ns(*ns).await;
                Vec::new()
            }
            Act::Busy => vec![u8::from(!link.is_active(Line::Busy { device: None }).await?)],
            Act::Home => vec![u8::from(link.is_active(Line::HomeSwitch { device: 0, axis: 0 }).await?)],
            Act::Now => u128::from(link.now_ns().await?).to_le_bytes().to_vec(),
        });
    }
    Ok(seen)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The busy line is active low in the one's eyes and active in the other's.
    #[test]
    fn awaited_or_blocking_on_a_good_line_or_a_bad_one_the_chain_sees_the_same(
        acts in acts(),
        seed in any::<u64>(),
        (lost, spoilt, added) in (0..8u64, 0..8u64, 0..8u64),
    ) {
        let (good, expected) = Pipe::new(offer(), GOOD, seed);
        let (mut seen, _) = super::act(good, &acts).unwrap();
        for (seen, act) in seen.iter_mut().zip(&acts) {
            if let Act::Busy = act {
                seen[0] ^= 1;
            }
        }
        let (bad, found) = link(Line1000 { lost, spoilt, added }, seed);
        prop_assert_eq!(&seen, &block_on(act_async(&bad, &acts)).unwrap());
        prop_assert_eq!(told(&expected.borrow()), told(&found.borrow()));
        prop_assert_eq!(expected.borrow().requests(), found.borrow().requests());
    }

    #[test]
    fn what_the_firmware_says_is_kept_once_and_in_order_and_takes_no_time(
        words in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..245), 0..9),
        seed in any::<u64>(),
        (lost, spoilt, added) in (0..4u64, 0..4u64, 0..4u64),
    ) {
        let (link, offer) = link(Line1000 { lost, spoilt, added }, seed);
        for words in &words {
            prop_assert_eq!(block_on(link.log(words)), Ok(()));
        }
        let offer = offer.borrow();
        prop_assert_eq!((offer.log(), offer.chain().now_ns()), (&words.concat()[..], 0));
    }

    /// A delay of a known length is dropped after so many polls: it has passed or not, and what is asked next gets its own
    /// answer, whatever is still on its way from before.
    #[test]
    fn a_future_that_is_dropped_amid_its_exchange_leaves_the_next_one_its_own_answer(
        polls in 0..60usize,
        seed in any::<u64>(),
        lost in 0..8u64,
    ) {
        let (link, offer) = link(Line1000 { lost, ..GOOD }, seed);
        for round in 0..4u64 {
            let begun_ns = offer.borrow().chain().now_ns();
            let mut delay = link.delay();
            {
                let mut passing = pin!(delay.delay_ns(1_000));
                let mut context = Context::from_waker(Waker::noop());
                let _ = (0..polls).find(|_| passing.as_mut().poll(&mut context).is_ready());
            }
            let now_ns = offer.borrow().chain().now_ns();
            prop_assert!([0, 1_000].contains(&(now_ns - begun_ns)));
            prop_assert_eq!(block_on(link.now_ns()), Ok(now_ns), "round {}", round);
            let mut bytes = [0xE0, 0, 0xE0, 0];
            prop_assert_eq!(block_on(link.spi().transfer_in_place(&mut bytes)), Ok(()));
            let offer = offer.borrow();
            prop_assert_eq!(offer.exchanges().len() as u64, round + 1);
            prop_assert_eq!(&offer.exchanges()[round as usize].miso[..], &bytes);
        }
    }
}

/// By hand: each of both lets ten delays of 1 ms pass and clocks four bytes after each.
#[test]
fn two_tasks_share_a_link_in_turns_and_each_exchange_stays_whole() {
    let (link, offer) = link(GOOD, 1);
    let task = async |filler: u8| {
        for _ in 0..10 {
            link.delay().delay_ms(1).await;
            link.spi().write(&[0x7E, 0x7E, filler, filler]).await.unwrap();
        }
    };
    block_on(join(task(0x7E), task(0xE0)));
    let offer = offer.borrow();
    assert_eq!((offer.exchanges().len(), offer.requests()), (20, 41));
    assert!((20_000_000..21_000_000).contains(&offer.chain().now_ns()), "{}", offer.chain().now_ns());
    let who: Vec<_> = offer.exchanges().iter().map(|exchange| exchange.mosi[2]).collect();
    assert_eq!(who, [0x7E, 0xE0].repeat(10));
}

#[test]
fn a_dead_line_is_told_and_a_delay_that_was_lost_is_told_by_whatever_comes_next() {
    let (dead, _) = Pipe::new(offer(), Line1000 { lost: 1000, ..GOOD }, 1);
    let begun = block_on(AsyncLink::begin(Slow(dead, u32::MAX), 1)).map(|_| ()).map_err(|(error, _)| error);
    assert_eq!(begun, Err(LinkError::Silent));
    let (pipe, _) = Pipe::new(offer(), GOOD, 1);
    let (link, _) = block_on(AsyncLink::begin(Slow(pipe, 3), 2)).map_err(|(error, _)| error).unwrap();
    assert_eq!(block_on(link.now_ns()), Ok(0));
    block_on(link.delay().delay_ms(1));
    assert_eq!(block_on(link.spi().write(&[0; 4])), Err(LinkError::Lost));
}

#[test]
fn the_end_is_told_and_the_line_is_given_back() {
    let (link, offer) = link(GOOD, 1);
    assert_eq!((block_on(link.end(3)), block_on(link.repeated())), (Ok(()), 0));
    assert_eq!(offer.borrow().end(), Some(3));
    assert_eq!(link.release().0.talk.repeated(), 0);
}
