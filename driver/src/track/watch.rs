//! Whether a device still answers: when to ask it next, and what to do once it has been silent too long.

use core::fmt;
use core::time::Duration;

use crate::command::Command;
use crate::map::{BridgeState, StopRamp};
use crate::reply::ReplyError;

use super::reach::of_nanoseconds;

/// What the caller shall do once replies have stayed away. Each one includes those before it.
///
/// It is data: the watch itself sends nothing and marks nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Reaction {
    /// Tell somebody.
    Report,
    /// Make the positions of the device's axes unknown ([`Tracker::doubt`](super::Tracker::doubt)).
    MarkUnknown,
    /// Stop every axis of the chain. The device that is silent may not hear it.
    StopAll {
        /// How the motors slow.
        ramp: StopRamp,
        /// What the bridges do once they stand.
        bridge: BridgeState,
    },
}

/// Why an answer did not count as one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Miss {
    /// The transfer failed, or none was made.
    NoReply,
    /// The reply cannot be believed.
    Reply(ReplyError),
    /// The reply is well-formed, but the caller knows better: on a map without a check, a line that is stuck reads as
    /// a status of all ones or all zeros.
    Implausible,
}

/// What has changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum WatchEvent {
    /// Replies have stayed away, or made no sense, once too often. Told once, until the device answers again.
    Stopped {
        /// What was wrong the last time.
        miss: Miss,
        /// How many misses there were in a row.
        misses: u32,
        /// How long ago the last answer was, or the watch began.
        silent: Duration,
        /// What the caller has chosen to do.
        reaction: Reaction,
    },
    /// The device answers again. Its position and its settings may not be what they were.
    Resumed {
        /// How long it was silent.
        silent: Duration,
    },
}

/// Watches one device's answers. Without I/O and without a clock.
///
/// Times are counted from any start that the caller likes, and do not go back; those that are given back are 584 years
/// at most. Each poll ends in one call of [`answered`](Self::answered) or [`missed`](Self::missed), and so may any
/// other exchange with the device: what is asked anyway need not be asked again.
///
/// ```
/// use core::time::Duration;
/// use stepchain::track::{Miss, Reaction, Watch, WatchEvent};
///
/// let ms = Duration::from_millis;
/// let mut watch = Watch::new(ms(100), 1, Reaction::MarkUnknown);
/// assert!(watch.due(ms(0)));
/// assert_eq!(watch.answered(ms(0)), None);
/// assert!(!watch.due(ms(99)));
/// assert_eq!(watch.missed(ms(100), Miss::NoReply), None, "one miss is tolerated");
/// let event = watch.missed(ms(200), Miss::NoReply);
/// assert!(matches!(event, Some(WatchEvent::Stopped { misses: 2, reaction: Reaction::MarkUnknown, .. })));
/// assert_eq!(watch.answered(ms(300)), Some(WatchEvent::Resumed { silent: ms(300) }));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Watch {
    period: Duration,
    tolerated: u32,
    reaction: Reaction,
    /// When the next poll is due, in nanoseconds.
    next: u128,
    last_answer: Duration,
    misses: u32,
}

impl Watch {
    /// A watch that polls once in `period`, puts up with so many misses in a row, and reacts to one more.
    ///
    /// The first poll is due at once.
    #[must_use]
    pub const fn new(period: Duration, tolerated: u32, reaction: Reaction) -> Self {
        Self { period, tolerated, reaction, next: 0, last_answer: Duration::ZERO, misses: 0 }
    }

    /// The same for a watch that begins at another time than zero.
    #[must_use]
    pub const fn beginning_at(mut self, now: Duration) -> Self {
        (self.next, self.last_answer) = (now.as_nanos(), now);
        self
    }

    /// Whether it is time to ask the device something.
    #[must_use]
    pub const fn due(&self, now: Duration) -> bool {
        now.as_nanos() >= self.next
    }

    /// How long there is still time.
    #[must_use]
    pub const fn until_due(&self, now: Duration) -> Duration {
        of_nanoseconds(self.next.saturating_sub(now.as_nanos()))
    }

    /// The longest time from a device's last answer to [`WatchEvent::Stopped`], if it is polled as soon as it is due.
    #[must_use]
    pub const fn time_to_notice(&self) -> Duration {
        of_nanoseconds(self.period.as_nanos() * (self.tolerated as u128 + 1))
    }

    /// Whether the device's replies have stopped.
    #[must_use]
    pub const fn is_stopped(&self) -> bool {
        self.misses > self.tolerated
    }

    /// The device has answered, and the answer made sense.
    pub const fn answered(&mut self, now: Duration) -> Option<WatchEvent> {
        let silent = self.silent(now);
        let was_stopped = self.is_stopped();
        self.misses = 0;
        self.last_answer = now;
        self.next = now.as_nanos() + self.period.as_nanos();
        if was_stopped { Some(WatchEvent::Resumed { silent }) } else { None }
    }

    /// The device has not answered, or not so that it made sense.
    pub const fn missed(&mut self, now: Duration, miss: Miss) -> Option<WatchEvent> {
        let was_stopped = self.is_stopped();
        self.misses = self.misses.saturating_add(1);
        self.next = now.as_nanos() + self.period.as_nanos();
        if was_stopped || !self.is_stopped() {
            return None;
        }
        let silent = self.silent(now);
        Some(WatchEvent::Stopped { miss, misses: self.misses, silent, reaction: self.reaction })
    }

    const fn silent(&self, now: Duration) -> Duration {
        of_nanoseconds(now.as_nanos().saturating_sub(self.last_answer.as_nanos()))
    }
}

impl Reaction {
    /// Whether the positions are to be made unknown.
    #[must_use]
    pub const fn marks_unknown(self) -> bool {
        !matches!(self, Self::Report)
    }

    /// The command for every axis of the chain, if there is one.
    #[must_use]
    pub const fn command(self) -> Option<Command> {
        match self {
            Self::StopAll { ramp, bridge } => Some(Command::Stop { ramp, bridge }),
            _ => None,
        }
    }
}

impl fmt::Display for Miss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoReply => f.write_str("no reply came"),
            Self::Reply(error) => error.fmt(f),
            Self::Implausible => f.write_str("the reply is not plausible"),
        }
    }
}

impl fmt::Display for WatchEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Stopped { miss, misses, silent, .. } => {
                write!(f, "no answer for {silent:?} and {misses} polls, the last time because: {miss}")
            }
            Self::Resumed { silent } => write!(f, "the device answers again after {silent:?}"),
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;
    use std::vec::Vec;

    use proptest::prelude::*;

    use super::*;

    fn ms(count: u64) -> Duration {
        Duration::from_millis(count)
    }

    #[test]
    fn without_tolerance_the_first_miss_is_the_event_and_says_why() {
        let reaction = Reaction::StopAll { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
        let mut watch = Watch::new(ms(10), 0, reaction).beginning_at(ms(1000));
        assert!(!watch.due(ms(999)));
        assert!(watch.due(ms(1000)));
        let event = watch.missed(ms(1003), Miss::Reply(ReplyError::Malformed)).unwrap();
        assert_eq!(
            event.to_string(),
            "no answer for 3ms and 1 polls, the last time because: the reply has bits that the map says can never be so"
        );
        let WatchEvent::Stopped { reaction, .. } = event else { panic!("{event}") };
        assert_eq!(
            reaction.command(),
            Some(Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven }),
            "the chosen stop"
        );
        assert!(reaction.marks_unknown());
        assert!(!Reaction::Report.marks_unknown());
        assert_eq!(Reaction::MarkUnknown.command(), None);
    }

    #[test]
    fn any_exchange_puts_the_next_poll_off_by_a_period() {
        let mut watch = Watch::new(ms(10), 3, Reaction::Report);
        watch.answered(ms(4));
        assert_eq!(watch.until_due(ms(5)), ms(9));
        assert!(watch.due(ms(14)));
        watch.missed(ms(14), Miss::Implausible);
        assert!(!watch.due(ms(23)));
        assert!(watch.due(ms(24)));
        watch.answered(Duration::MAX);
        assert_eq!(watch.until_due(Duration::MAX), ms(10), "where time ends, nothing overflows");
        assert!(!watch.due(Duration::MAX));
        assert_eq!(
            Watch::new(Duration::MAX, u32::MAX, Reaction::Report).time_to_notice(),
            Duration::from_nanos(u64::MAX)
        );
    }

    #[test]
    fn a_device_that_falls_silent_is_noticed_within_the_time_stated() {
        for tolerated in 0..5 {
            let mut watch = Watch::new(ms(7), tolerated, Reaction::Report);
            watch.answered(ms(100));
            let noticed = (100..1000).find(|&now| watch.due(ms(now)) && watch.missed(ms(now), Miss::NoReply).is_some());
            assert_eq!(ms(noticed.unwrap() - 100), watch.time_to_notice());
        }
    }

    proptest! {
        #[test]
        fn the_events_are_those_of_runs_of_misses(
            polls in proptest::collection::vec(proptest::bool::weighted(0.4), 0..200), tolerated in 0u32..4,
        ) {
            let mut watch = Watch::new(ms(1), tolerated, Reaction::Report);
            let found: Vec<_> = polls.iter().enumerate().filter_map(|(index, &answers)| {
                let now = ms(index as u64);
                let event = if answers { watch.answered(now) } else { watch.missed(now, Miss::NoReply) };
                event.map(|event| (index, matches!(event, WatchEvent::Stopped { .. })))
            }).collect();
            // Stopped: the poll that makes a run of exactly that many. Resumed: the one that ends such a run.
            let run_before = |index: usize| polls[..index].iter().rev().take_while(|&&answers| !answers).count() as u32;
            let expected: Vec<_> = polls.iter().enumerate().filter_map(|(index, &answers)| match run_before(index) {
                run if !answers && run == tolerated => Some((index, true)),
                run if answers && run > tolerated => Some((index, false)),
                _ => None,
            }).collect();
            prop_assert_eq!(found, expected);
        }
    }
}
