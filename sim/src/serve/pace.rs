//! The wall clock, for a chain that shall keep pace with it. The one place of the simulator where time is not virtual.

use std::fmt;
use std::time::Duration;

/// A clock to keep pace with.
pub trait Wall: fmt::Debug {
    /// Nanoseconds since it began.
    fn now_ns(&mut self) -> u64;

    /// Lets so many nanoseconds pass.
    fn sleep_ns(&mut self, ns: u64);
}

/// The computer's own clock.
#[derive(Clone, Copy, Debug)]
#[allow(clippy::disallowed_types, reason = "this is the clock that virtual time is asked to follow")]
pub struct RealTime {
    began: std::time::Instant,
}

#[allow(clippy::disallowed_types, clippy::disallowed_methods, reason = "as above")]
impl RealTime {
    /// A clock that begins now.
    #[must_use]
    pub fn begin() -> Self {
        Self { began: std::time::Instant::now() }
    }
}

#[allow(clippy::disallowed_methods, reason = "as above")]
impl Wall for RealTime {
    fn now_ns(&mut self) -> u64 {
        u64::try_from(self.began.elapsed().as_nanos()).unwrap_or(u64::MAX)
    }

    fn sleep_ns(&mut self, ns: u64) {
        std::thread::sleep(Duration::from_nanos(ns));
    }
}
