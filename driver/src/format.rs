//! `defmt::Format` for the types that cannot derive it: those that own a bus, a lock, or a borrowed frame.
//!
//! What they print is what the driver knows; the bus need not have a format.

use defmt::{Format, Formatter, write};

use crate::chain::{Chain, Talk};
use crate::map::{ChainMap, Message};
use crate::recorder::Recorder;
use crate::wiring::Check;

impl<M: ChainMap, S: embedded_hal::spi::SpiDevice, const N: usize> Format for Chain<M, S, N> {
    fn format(&self, f: Formatter<'_>) {
        let others = if M::DEVICES.are_alike() { "" } else { " and others" };
        write!(f, "Chain of {} `{}`{=str}, in step: {}", N, M::DEVICES.layout(0).name, others, self.is_in_step());
    }
}

#[cfg(feature = "async")]
impl<M: ChainMap, S: embedded_hal_async::spi::SpiDevice, const N: usize> Format for crate::AsyncChain<M, S, N> {
    fn format(&self, f: Formatter<'_>) {
        let others = if M::DEVICES.are_alike() { "" } else { " and others" };
        write!(f, "AsyncChain of {} `{}`{=str}, in step: {}", N, M::DEVICES.layout(0).name, others, self.is_in_step());
    }
}

impl Format for Talk<'_> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Talk of {} frames, the last one {=[u8]:#x}", self.frames(), self.frame());
    }
}

impl Format for Check<'_> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "wiring check: {}", self.verdict());
    }
}

impl<S, const FRAMES: usize, const BYTES: usize> Format for Recorder<S, FRAMES, BYTES> {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Recorder of {} transactions, the last:", self.count());
        for frame in self.frames() {
            write!(f, " {}", frame);
        }
    }
}

impl Format for Message {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "{=str}", self.as_str());
    }
}

#[cfg(feature = "mailbox")]
impl<const N: usize, const DEPTH: usize, const AXES: usize> Format for crate::Mailbox<N, DEPTH, AXES> {
    /// Takes no lock, so that it may be printed from anywhere.
    fn format(&self, f: Formatter<'_>) {
        write!(f, "Mailbox for {} devices of {} axes, {} commands each", N, AXES, DEPTH);
    }
}

#[cfg(feature = "mailbox")]
impl Format for crate::mailbox::FaultLatch {
    fn format(&self, f: Formatter<'_>) {
        write!(f, "FaultLatch, set: {}", self.is_set());
    }
}

#[cfg(all(test, feature = "reference-maps"))]
mod tests {
    use super::*;
    use crate::reference::FixedWord;
    use crate::{Error, PositionLimits, Reply, Tracker, Watch};

    /// What is asserted is that it compiles.
    #[test]
    fn what_an_application_would_log_has_a_format() {
        type Bus = embedded_hal_mock::eh1::spi::Mock<u8>;
        const fn has_format<T: Format>() {}
        has_format::<Chain<FixedWord, Bus, 2>>();
        has_format::<Result<Reply, Error<embedded_hal::spi::ErrorKind>>>();
        has_format::<(Talk<'_>, Check<'_>, Recorder<Bus, 2, 8>)>();
        has_format::<(crate::map::Layout, crate::map::Flaw, Message)>();
        has_format::<(Tracker, Watch, PositionLimits)>();
    }
}
