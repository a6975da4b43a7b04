//! Remembers that a fault pin fell, from its interrupt until the owner of the chain looks.

use core::cell::Cell;

use critical_section::Mutex;

/// A latch that an interrupt sets and the owner of the chain takes.
///
/// It counts, so that a pin that chatters is told from one that fell once. Goes through a critical section of a few
/// instructions: the smallest processors have no atomic read-modify-write.
///
/// ```
/// use stepchain::mailbox::FaultLatch;
///
/// static FAULT: FaultLatch = FaultLatch::new();
///
/// // In the pin's interrupt:
/// FAULT.set();
/// // In the owner's loop:
/// assert_eq!(FAULT.take(), 1);
/// assert_eq!(FAULT.take(), 0);
/// ```
#[derive(Debug)]
pub struct FaultLatch {
    count: Mutex<Cell<u32>>,
}

impl FaultLatch {
    /// A latch that is not set.
    #[must_use]
    pub const fn new() -> Self {
        Self { count: Mutex::new(Cell::new(0)) }
    }

    /// Sets the latch, and counts how often; the count stays at its greatest.
    pub fn set(&self) {
        critical_section::with(|cs| {
            let count = self.count.borrow(cs);
            count.set(count.get().saturating_add(1));
        });
    }

    /// How often the latch was set since it was last taken, 0 if never; afterwards it is not set.
    #[must_use = "the latch is cleared; what it said is only here"]
    pub fn take(&self) -> u32 {
        critical_section::with(|cs| self.count.borrow(cs).replace(0))
    }

    /// Whether the latch is set; leaves it so.
    #[must_use]
    pub fn is_set(&self) -> bool {
        critical_section::with(|cs| self.count.borrow(cs).get() > 0)
    }
}

impl Default for FaultLatch {
    fn default() -> Self {
        Self::new()
    }
}
