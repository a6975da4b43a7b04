//! What a future leaves in the ring that is dropped.

extern crate std;
use core::task::{Context, Poll, Waker};
use std::vec::Vec;

use embedded_hal::spi::{ErrorKind, ErrorType, Operation};
use embedded_hal_async::spi::SpiDevice;

use super::{Fickle, Recorder, dumped};

/// A bus that answers every byte with its complement, and gets so far only when it is polled for the second time.
struct Slow;

impl ErrorType for Slow {
    type Error = ErrorKind;
}

impl SpiDevice for Slow {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        let mut is_polled_again = false;
        core::future::poll_fn(|_| {
            if core::mem::replace(&mut is_polled_again, true) { Poll::Ready(()) } else { Poll::Pending }
        })
        .await;
        embedded_hal::spi::SpiDevice::transaction(&mut Fickle, operations)
    }
}

/// Sends one byte, polls so often, and drops the future; what it has come to.
fn poll<S: SpiDevice, const FRAMES: usize>(
    recorder: &mut Recorder<S, FRAMES, 4>,
    byte: u8,
    times: usize,
) -> Poll<Result<(), S::Error>> {
    let mut bytes = [byte];
    let mut future = core::pin::pin!(recorder.transfer_in_place(&mut bytes));
    let mut context = Context::from_waker(Waker::noop());
    (0..times).map(|_| future.as_mut().poll(&mut context)).last().unwrap_or(Poll::Pending)
}

/// By hand: 0x12 answered by its complement is 0xED.
#[test]
fn a_dropped_future_leaves_what_was_to_be_sent_and_one_that_was_not_polled_leaves_nothing() {
    let mut recorder = Recorder::<_, 2, 4>::new(Slow);
    for byte in [0x11, 0x12] {
        assert_eq!(poll(&mut recorder, byte, 2), Poll::Ready(Ok(())));
    }
    assert_eq!(poll(&mut recorder, 0x13, 1), Poll::Pending);
    let kept: Vec<_> = recorder.frames().collect();
    assert_eq!((kept[0].miso(), kept[0].is_unfinished()), (&[0xED][..], false));
    assert_eq!((kept[1].mosi(), kept[1].miso()), (&[0x13][..], &[][..]));
    assert_eq!((kept[1].is_unfinished(), kept[1].has_failed()), (true, false));
    assert_eq!(dumped(&recorder), "time_s,frame,mosi,miso\n1,1,12,ed\n2,2,13,\n");

    assert_eq!(poll(&mut recorder, 0x14, 0), Poll::Pending);
    assert_eq!(recorder.count(), 3, "it was never polled");
}

#[test]
fn what_follows_a_dropped_future_takes_the_next_place_and_leaves_it_unfinished() {
    let mut recorder = Recorder::<_, 2, 4>::new(Slow);
    assert_eq!(poll(&mut recorder, 0x13, 1), Poll::Pending);
    assert_eq!(poll(&mut recorder, 0xEE, 2), Poll::Ready(Err(ErrorKind::Overrun)));
    let ends = |frame: &crate::recorder::Frame<4>| (frame.number(), frame.is_unfinished(), frame.has_failed());
    assert_eq!(recorder.frames().map(ends).collect::<Vec<_>>(), [(0, true, false), (1, false, true)]);
}
