//! What both fronts share: an exchange from its commands to its replies, and whether the chain is in step.
//!
//! A front adds the SPI device and the loop that transfers; everything else is here. An exchange that ends early, by a
//! failed transfer or by a dropped future, leaves a mark, and the next one begins with idle frames.

use core::marker::PhantomData;
use core::time::Duration;

use crate::command::{AxisCommand, CommandError};
use crate::map::ChainMap;
use crate::reply::{Reply, ReplyError};

use crate::table::{self, Asked, Tables};

use super::codec::Codec;
use super::error::Error;
use super::talk::{Pending, Talk};

/// Bytes that begin at a word of the processor's, so that they are copied by words.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(align(4))]
pub(super) struct Aligned<T>(pub(super) T);

/// What a chain of the `N` devices `M` keeps besides its SPI device.
#[derive(Debug)]
pub(super) struct Frames<M, const N: usize> {
    /// A frame needs at most eight bytes for each device; stable Rust cannot say how many exactly.
    buffer: Aligned<[[u8; 8]; N]>,
    /// Whether devices may hold a part of a command.
    out_of_step: bool,
    map: PhantomData<M>,
}

/// The frames of one call, up to its replies: of a talk by the layouts, or by tables.
#[derive(Debug)]
pub(super) struct Exchange<'a, T> {
    talk: T,
    out_of_step: &'a mut bool,
}

/// A talk of either kind.
pub(super) trait Frame {
    /// As [`Talk::next_frame`].
    fn next_frame(&mut self) -> Option<&mut [u8]>;

    /// As [`Talk::came_back`].
    fn came_back(&mut self);
}

impl Frame for Talk<'_> {
    fn next_frame(&mut self) -> Option<&mut [u8]> {
        self.next_frame()
    }

    fn came_back(&mut self) {
        self.came_back();
    }
}

impl<M: ChainMap> Frame for table::Talk<'_, M> {
    fn next_frame(&mut self) -> Option<&mut [u8]> {
        self.next_frame()
    }

    fn came_back(&mut self) {
        self.came_back();
    }
}

impl<M: ChainMap, const N: usize> Frames<M, N> {
    pub(super) const CODEC: Codec = {
        M::DEVICES.assert_valid_for(N);
        Codec::of_checked(M::DEVICES)
    };

    pub(super) const fn new() -> Self {
        let _ = Self::CODEC;
        Self { buffer: Aligned([[0; 8]; N]), out_of_step: false, map: PhantomData }
    }

    pub(super) const fn is_in_step(&self) -> bool {
        !self.out_of_step
    }

    pub(super) const fn set_in_step(&mut self, in_step: bool) {
        self.out_of_step = !in_step;
    }

    /// How many idle frames a call begins with.
    pub(super) const fn idle_frames(&self) -> u16 {
        if self.out_of_step { const { Self::CODEC.resync_frames() } } else { 0 }
    }

    /// Makes the frame of a constant the next one to exchange; the chain counts as out of step until told otherwise.
    ///
    /// `None` cannot be: a constant is refused if its frames are not as long as the chain's.
    pub(super) fn set<const B: usize>(&mut self, frame: &[u8; B]) -> Option<&mut [u8; B]> {
        self.out_of_step = true;
        let place = self.buffer.0.as_flattened_mut().first_chunk_mut()?;
        *place = *frame;
        Some(place)
    }

    /// The frame that was exchanged last.
    pub(super) const fn last<const B: usize>(&self) -> Option<&[u8; B]> {
        self.buffer.0.as_flattened().first_chunk()
    }

    /// Puts the commands into words, behind idle frames if the chain is out of step.
    pub(super) fn begin<'a, C, E>(
        &'a mut self,
        commands: &[C; N],
        pending: &'a mut [Pending; N],
    ) -> Result<Exchange<'a, Talk<'a>>, Error<E>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let idle = self.idle_frames();
        let frame = self.buffer.0.as_flattened_mut().get_mut(..const { M::DEVICES.frame_bytes(N) }).unwrap_or_default();
        let talk =
            Self::CODEC.talk(commands, pending, frame).map_err(|(device, error)| Error::Command { device, error })?;
        Ok(Exchange { talk: talk.after_idle(idle), out_of_step: &mut self.out_of_step })
    }

    /// As [`begin`](Self::begin), by the tables of the map, which must be whole.
    pub(super) fn begin_by_tables<'a, C, E>(
        &'a mut self,
        commands: &[C; N],
        asked: &'a mut [Asked; N],
    ) -> Result<Exchange<'a, table::Talk<'a, M>>, Error<E>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let idle = self.idle_frames();
        let frame = self.buffer.0.as_flattened_mut().get_mut(..const { M::DEVICES.frame_bytes(N) }).unwrap_or_default();
        for (device, (one, &command)) in asked.iter_mut().zip(commands).enumerate() {
            Tables::<M>::ask(command.into(), one).map_err(|error| Error::Command { device, error })?;
        }
        Ok(Exchange { talk: table::Talk::new(asked, frame, idle), out_of_step: &mut self.out_of_step })
    }
}

impl<T: Frame> Exchange<'_, T> {
    /// The next frame to exchange; until [`finish`](Self::finish) the chain counts as out of step.
    pub(super) fn next_frame(&mut self) -> Option<&mut [u8]> {
        let frame = self.talk.next_frame()?;
        *self.out_of_step = true;
        Some(frame)
    }

    pub(super) fn came_back(&mut self) {
        self.talk.came_back();
    }

    /// All frames were exchanged.
    pub(super) const fn is_over(&mut self) {
        *self.out_of_step = false;
    }
}

impl Exchange<'_, Talk<'_>> {
    /// Each device's reply, or what is wrong with it, once all frames were exchanged.
    pub(super) fn finish<const N: usize>(mut self) -> [Result<Reply, ReplyError>; N] {
        self.is_over();
        let mut results = [Ok(Reply::default()); N];
        for (device, result) in results.iter_mut().enumerate() {
            if let Some(reply) = self.talk.reply(device) {
                *result = reply;
            }
        }
        results
    }
}

/// One device's command among filler.
pub(crate) fn only<E, const N: usize>(device: usize, command: AxisCommand) -> Result<[AxisCommand; N], Error<E>> {
    let mut commands = [AxisCommand::default(); N];
    match commands.get_mut(device) {
        Some(place) => *place = command,
        None => return Err(Error::Command { device, error: CommandError::NoSuchDevice { devices: N } }),
    }
    Ok(commands)
}

/// A time in the microseconds of a `DelayNs`, rounded up, in as many calls as it needs.
pub(crate) fn waits(time: Duration) -> impl Iterator<Item = u32> {
    let whole = time.as_micros();
    let mut left = if whole.saturating_mul(1000) < time.as_nanos() { whole + 1 } else { whole };
    core::iter::from_fn(move || {
        let now = u32::try_from(left).unwrap_or(u32::MAX);
        left -= u128::from(now);
        (now > 0).then_some(now)
    })
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::vec::Vec;

    use super::*;

    #[test]
    fn a_time_is_waited_for_whole_however_long_or_short_it_is() {
        let of = |time| waits(time).collect::<Vec<_>>();
        assert!(of(Duration::ZERO).is_empty());
        assert_eq!(of(Duration::from_nanos(1)), [1]);
        assert_eq!(of(Duration::from_micros(7)), [7]);
        assert_eq!(of(Duration::from_micros((1 << 32) + 4)), [u32::MAX, 5]);
    }
}
