//! What both fronts share: an exchange from its commands to its replies, and whether the chain is in step.
//!
//! A front adds the SPI device and the loop that transfers; everything else is here. An exchange that ends early, by a
//! failed transfer or by a dropped future, leaves a mark, and the next one begins with idle frames.

use core::marker::PhantomData;
use core::time::Duration;

use crate::command::{AxisCommand, CommandError};
use crate::map::ChainMap;
use crate::reply::{Reply, ReplyError};

use crate::table::{self, Asked, Lane, Lengths, Tables};

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

impl<M: ChainMap> Frame for table::InStep<'_, M> {
    #[inline(always)]
    fn next_frame(&mut self) -> Option<&mut [u8]> {
        self.next_frame()
    }

    #[inline(always)]
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

    /// The frames of what was asked by the tables, where every device gets one word and the chain is in step.
    #[inline(always)]
    pub(super) fn begin_in_step<'a>(
        &'a mut self,
        lanes: &'a mut [Lane; N],
        lengths: Lengths,
    ) -> Option<Exchange<'a, table::InStep<'a, M>>> {
        if self.out_of_step || !lengths.are_in_step::<M>() {
            return None;
        }
        let frame = self.buffer.0.as_flattened_mut().get_mut(..const { M::DEVICES.frame_bytes(N) }).unwrap_or_default();
        let talk = table::InStep::new(lanes, frame, lengths);
        Some(Exchange { talk, out_of_step: &mut self.out_of_step })
    }

    /// The frames of whatever was asked by the tables.
    pub(super) fn begin_asked<'a>(&'a mut self, asked: &'a mut [Asked; N]) -> Exchange<'a, table::Talk<'a, M>> {
        let idle = self.idle_frames();
        let frame = self.buffer.0.as_flattened_mut().get_mut(..const { M::DEVICES.frame_bytes(N) }).unwrap_or_default();
        Exchange { talk: table::Talk::new(asked, frame, idle), out_of_step: &mut self.out_of_step }
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
    /// Puts each device's reply, or what is wrong with it, in its place, once all frames were exchanged.
    pub(super) fn finish<const N: usize>(mut self, results: &mut [Result<Reply, ReplyError>; N]) {
        self.is_over();
        for (device, result) in results.iter_mut().enumerate() {
            if let Some(reply) = self.talk.reply(device) {
                *result = reply;
            }
        }
    }
}

/// What each device is asked, by tables, and in how many units.
///
/// # Errors
/// [`Error::Command`] for the first that cannot be asked.
#[inline(always)]
pub(super) fn ask_each<M: ChainMap, E, const N: usize, const HERE: bool>(
    lanes: &mut [Lane; N],
    mut command: impl FnMut(usize) -> AxisCommand,
) -> Result<Lengths, Error<E>> {
    let mut lengths = Lengths::NONE;
    for (device, place) in lanes.iter_mut().enumerate() {
        let mut lane = Lane::NOTHING;
        let asked = if HERE {
            Tables::<M>::ask_here::<true>(command(device), &mut lane)
        } else {
            Tables::<M>::ask(command(device), &mut lane)
        };
        asked.map_err(|error| Error::Command { device, error })?;
        lengths.add(&lane);
        *place = lane;
    }
    Ok(lengths)
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
    let mut left = time;
    core::iter::from_fn(move || next_wait(&mut left))
}

/// The first of the calls that a time takes.
#[inline(never)]
fn next_wait(left: &mut Duration) -> Option<u32> {
    const MOST: Duration = Duration::from_micros(u32::MAX as u64);
    if left.is_zero() {
        return None;
    }
    if *left > MOST {
        *left = left.saturating_sub(MOST);
        return Some(u32::MAX);
    }
    // What is left are 4294 seconds at most.
    let time_us = (left.as_secs() as u32).wrapping_mul(1_000_000).wrapping_add(left.subsec_nanos().div_ceil(1_000));
    *left = Duration::ZERO;
    Some(time_us)
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
