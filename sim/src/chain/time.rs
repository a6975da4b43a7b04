//! A clock to look at, for firmware that measures time.
//!
//! [`core::time::Duration`] since the world began is the common measure: the driver's procedures and watches take it.
//! The cargo feature `fugit` gives the same as an instant of the crate `fugit`. A driver for `embassy-time` is not
//! offered: it is one global of the whole program, and each world here has a time of its own. Firmware on
//! `embassy-time` is run by handing it [`VirtualDelay`](super::VirtualDelay) in place of `embassy_time::Delay`.

use core::time::Duration;

use super::VirtualChain;

/// The world's clock, monotonic and exact to the nanosecond. Reading it takes no time.
///
/// Made by [`VirtualChain::clock`]; clones read the same time.
///
/// ```
/// use core::time::Duration;
/// use embedded_hal::delay::DelayNs;
/// use stepchain::{map::RegisterMap, reference::Latched};
/// use stepchain_sim::chain::VirtualChain;
///
/// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
/// let clock = chain.clock();
/// let begun = clock.now();
/// DelayNs::delay_us(&mut chain.delay(), 30);
/// assert_eq!(clock.elapsed_since(begun), Duration::from_micros(30));
/// # Ok::<(), stepchain::map::Flaw>(())
/// ```
#[derive(Clone, Debug)]
pub struct VirtualClock {
    pub(super) chain: VirtualChain,
}

impl VirtualClock {
    /// Nanoseconds since the world began.
    #[must_use]
    pub fn now_ns(&self) -> u64 {
        self.chain.now_ns()
    }

    /// Time since the world began.
    #[must_use]
    pub fn now(&self) -> Duration {
        Duration::from_nanos(self.now_ns())
    }

    /// Time since an earlier reading; none since one that is still to come.
    #[must_use]
    pub fn elapsed_since(&self, earlier: Duration) -> Duration {
        self.now().saturating_sub(earlier)
    }

    /// Time since the world began, as an instant with ticks of one nanosecond.
    #[cfg(feature = "fugit")]
    #[must_use]
    pub fn instant(&self) -> fugit::Instant<u64, 1, 1_000_000_000> {
        fugit::Instant::<u64, 1, 1_000_000_000>::from_ticks(self.now_ns())
    }
}
