//! Virtual time: one count of nanoseconds that only its owner advances, and the time that bits take on the bus.
//!
//! Nothing here sleeps or looks at a real clock. Time saturates after 584 years.

/// The virtual clock of a world.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Clock {
    now_ns: u64,
}

impl Clock {
    /// Nanoseconds since the world began.
    #[must_use]
    pub const fn now_ns(&self) -> u64 {
        self.now_ns
    }

    /// Lets `duration_ns` nanoseconds pass.
    pub const fn advance_ns(&mut self, duration_ns: u64) {
        self.now_ns = self.now_ns.saturating_add(duration_ns);
    }

    /// Lets time pass until `instant_ns`; an instant that is past changes nothing.
    pub const fn advance_to_ns(&mut self, instant_ns: u64) {
        if instant_ns > self.now_ns {
            self.now_ns = instant_ns;
        }
    }
}

/// How long `bits` take at a clock of `clock_hz`, in nanoseconds, rounded up; a clock of 0 Hz is taken as 1 Hz.
#[must_use]
pub fn bits_ns(bits: u64, clock_hz: u32) -> u64 {
    let ns = (u128::from(bits) * 1_000_000_000).div_ceil(u128::from(clock_hz.max(1)));
    u64::try_from(ns).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_goes_forward_only_and_ends_exactly_where_told() {
        let mut clock = Clock::default();
        clock.advance_ns(7);
        clock.advance_to_ns(5);
        assert_eq!(clock.now_ns(), 7);
        clock.advance_to_ns(1_000);
        assert_eq!(clock.now_ns(), 1_000);
        clock.advance_ns(u64::MAX);
        assert_eq!(clock.now_ns(), u64::MAX);
    }

    /// By hand: 16 bits at 5 MHz are 3200 ns; 7 at 3 MHz are 2333.3.
    #[test]
    fn bits_take_their_time_rounded_up() {
        assert_eq!(bits_ns(16, 5_000_000), 3200);
        assert_eq!(bits_ns(7, 3_000_000), 2334);
        assert_eq!(bits_ns(u64::MAX, 1), u64::MAX);
    }
}
