//! What the firmware logs by defmt, kept until it goes over the link.
//!
//! A logger writes amid anything, in interrupts too, and an exchange over the link takes its time; so a frame of the log is
//! collected with interrupts off and put into a pipe, whole or not at all, and who owns the link takes it out when it likes.
#![allow(unsafe_code, reason = "a logger is a static that defmt calls between acquiring and releasing")]

use core::cell::UnsafeCell;
use core::sync::atomic::{AtomicBool, Ordering};

use critical_section::RestoreState;
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::pipe::Pipe;

/// Whole frames, one behind another.
static SAID: Pipe<CriticalSectionRawMutex, 2048> = Pipe::new();

/// The longest frame, encoded; a longer one is dropped.
const MOST: usize = 256;

/// The frame that is being written.
struct Frame {
    encoder: defmt::Encoder,
    bytes: [u8; MOST],
    count: usize,
    restore: RestoreState,
}

struct Desk {
    frame: UnsafeCell<Frame>,
    is_taken: AtomicBool,
}

// SAFETY: the frame is touched between `acquire` and `release` alone, which bound a critical section of a single core.
unsafe impl Sync for Desk {}

static DESK: Desk = Desk {
    frame: UnsafeCell::new(Frame {
        encoder: defmt::Encoder::new(),
        bytes: [0; MOST],
        count: 0,
        restore: RestoreState::invalid(),
    }),
    is_taken: AtomicBool::new(false),
};

impl Frame {
    fn put(bytes: &mut [u8; MOST], count: &mut usize, more: &[u8]) {
        let end = count.saturating_add(more.len());
        if let Some(place) = bytes.get_mut(*count..end) {
            place.copy_from_slice(more);
        }
        *count = end;
    }
}

/// Where a binary's logger gets its work done: `defmt::global_logger` wants a type of that binary.
#[derive(Debug)]
pub struct Said;

// SAFETY: acquiring takes a critical section that releasing gives back, and a second acquiring within panics.
unsafe impl defmt::Logger for Said {
    fn acquire() {
        // SAFETY: `release` gives it back.
        let restore = unsafe { critical_section::acquire() };
        if DESK.is_taken.load(Ordering::Relaxed) {
            panic!("a log within a log");
        }
        DESK.is_taken.store(true, Ordering::Relaxed);
        // SAFETY: nobody else is here.
        let Frame { encoder, bytes, count, restore: kept } = unsafe { &mut *DESK.frame.get() };
        (*count, *kept) = (0, restore);
        encoder.start_frame(|more| Frame::put(bytes, count, more));
    }

    unsafe fn flush() {}

    unsafe fn release() {
        // SAFETY: as above.
        let Frame { encoder, bytes, count, restore } = unsafe { &mut *DESK.frame.get() };
        encoder.end_frame(|more| Frame::put(bytes, count, more));
        if let Some(frame) = bytes.get(..*count).filter(|frame| frame.len() <= SAID.free_capacity()) {
            // There is room for all of it.
            let _ = SAID.try_write(frame);
        }
        let restore = *restore;
        DESK.is_taken.store(false, Ordering::Relaxed);
        // SAFETY: `acquire` has taken it.
        unsafe { critical_section::release(restore) };
    }

    unsafe fn write(bytes: &[u8]) {
        // SAFETY: as above.
        let Frame { encoder, bytes: kept, count, .. } = unsafe { &mut *DESK.frame.get() };
        encoder.write(bytes, |more| Frame::put(kept, count, more));
    }
}

/// The next bytes of the log, if there are any.
pub fn said(into: &mut [u8]) -> &[u8] {
    let count = SAID.try_read(into).unwrap_or_default();
    into.get(..count).unwrap_or_default()
}
