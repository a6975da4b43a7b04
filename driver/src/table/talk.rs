//! The frames of one call, by a map's tables: as [`chain::Talk`](crate::Talk), for devices that are alike.
//!
//! Nearly every call is one word for each device. Then they are padded in front to one length, and all devices shift in step,
//! which is quick: [`InStep`]. What takes several words, or begins with idle frames, is sent by what each device keeps of it.

use core::marker::PhantomData;

use crate::map::ChainMap;
use crate::wire;

use super::lane::{Steps, shift_in, shift_out};
use super::{Asked, Lane, Tables};

/// The frames of one call in which every device gets one word.
#[derive(Debug)]
pub(crate) struct InStep<'a, M> {
    lanes: &'a mut [Lane],
    frame: &'a mut [u8],
    /// Frames that are still to come, and those of them in which answers do.
    left: u8,
    answers: u8,
    map: PhantomData<M>,
}

/// The frames of any call.
#[derive(Debug)]
pub(crate) struct Talk<'a, M> {
    asked: &'a mut [Asked],
    frame: &'a mut [u8],
    /// Frames that are still to come.
    left: u16,
    map: PhantomData<M>,
}

/// What is known of the words of a call once every device is asked.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lengths {
    /// Most and fewest units of a word.
    most: u8,
    fewest: u8,
    /// Most units of an answer.
    pub(crate) answers: u8,
    /// Whether every device gets one word.
    are_words: bool,
}

impl Lengths {
    pub(crate) const NONE: Self = Self { most: 0, fewest: u8::MAX, answers: 0, are_words: true };

    #[inline(always)]
    pub(crate) fn add(&mut self, lane: &Lane) {
        self.most = lane.sending.max(self.most);
        self.fewest = lane.sending.min(self.fewest);
        self.answers = lane.listening.max(self.answers);
        self.are_words &= matches!(lane.steps, Steps::Word);
    }

    /// Whether every device gets one word, and all of them and their answers fit 64 bits.
    #[inline(always)]
    pub(crate) fn are_in_step<M: ChainMap>(self) -> bool {
        self.are_words && self.most.max(self.answers) <= const { 64 / Tables::<M>::UNIT_BITS }
    }
}

impl<'a, M: ChainMap> InStep<'a, M> {
    /// The talk, in step, in a buffer that is as long as the frame of so many devices.
    #[inline(always)]
    pub(crate) fn new(lanes: &'a mut [Lane], frame: &'a mut [u8], lengths: Lengths) -> Self {
        let Lengths { most, fewest, answers, .. } = lengths;
        // Shorter commands begin later, so that all are complete on one edge.
        if fewest < most {
            lanes.iter_mut().for_each(|lane| lane.pad::<M>(most));
        }
        Self { lanes, frame, left: most.wrapping_add(answers), answers, map: PhantomData }
    }

    /// As [`Talk::next_frame`].
    #[inline(always)]
    pub(crate) fn next_frame(&mut self) -> Option<&mut [u8]> {
        if self.left == 0 {
            return None;
        }
        if self.left > self.answers {
            fill::<M, _>(self.frame, self.lanes, |lane| shift_out::<M>(&mut lane.bits));
        } else {
            fill::<M, _>(self.frame, self.lanes, |_| Tables::<M>::FILLER);
        }
        self.left -= 1;
        Some(self.frame)
    }

    /// As [`Talk::came_back`].
    #[inline(always)]
    pub(crate) fn came_back(&mut self) {
        if self.left < self.answers {
            read::<M, _>(self.frame, self.lanes, |lane, unit| shift_in::<M>(&mut lane.bits, unit));
        }
    }
}

impl<'a, M: ChainMap> Talk<'a, M> {
    /// The talk behind so many idle frames, in a buffer that is as long as the frame of so many devices.
    pub(crate) fn new(asked: &'a mut [Asked], frame: &'a mut [u8], idle: u16) -> Self {
        let (mut request, mut answers) = (0, 0);
        for one in asked.iter() {
            let (units, listening) = one.units();
            request = units.max(request);
            answers = listening.max(answers);
        }
        // Shorter commands begin later, so that all are complete on one edge.
        let request = request.saturating_add(idle);
        for one in asked.iter_mut() {
            one.wait(request.saturating_sub(one.units().0));
        }
        Self { asked, frame, left: request.saturating_add(answers), map: PhantomData }
    }

    /// The next frame to exchange, in place, within one chip selection; `None` once the talk is over.
    pub(crate) fn next_frame(&mut self) -> Option<&mut [u8]> {
        self.left = self.left.checked_sub(1)?;
        fill::<M, _>(self.frame, self.asked, Asked::next_unit::<M>);
        Some(self.frame)
    }

    /// Reads what the exchange left in the frame.
    pub(crate) fn came_back(&mut self) {
        read::<M, _>(self.frame, self.asked, Asked::came_back::<M>);
    }
}

/// Puts every device's unit in its place.
#[inline(always)]
fn fill<M: ChainMap, T>(frame: &mut [u8], asked: &mut [T], mut unit: impl FnMut(&mut T) -> u64) {
    let bits = Tables::<M>::UNIT_BITS;
    if bits.is_multiple_of(8) {
        // The last device's unit leaves first.
        for (one, place) in asked.iter_mut().zip(frame.rchunks_exact_mut(const { bytes::<M>() })) {
            put(place, unit(one));
        }
    } else {
        frame.fill(0);
        // After the padding; so the frame is filled from its end.
        let mut offset = frame.len() * 8;
        for one in asked.iter_mut() {
            offset = offset.saturating_sub(bits.into());
            wire::put_bits(frame, offset, bits, unit(one));
        }
    }
}

/// Gives every device's unit to it.
#[inline(always)]
fn read<M: ChainMap, T>(frame: &[u8], asked: &mut [T], mut take: impl FnMut(&mut T, u64)) {
    let bits = Tables::<M>::UNIT_BITS;
    if bits.is_multiple_of(8) {
        for (one, place) in asked.iter_mut().zip(frame.rchunks_exact(const { bytes::<M>() })) {
            take(one, get(place));
        }
    } else {
        // The last device's reply comes first, before what the padding pushes out.
        let mut offset = asked.len() * bits as usize;
        for one in asked.iter_mut() {
            offset = offset.saturating_sub(bits.into());
            take(one, wire::get_bits(frame, offset, bits));
        }
    }
}

/// Puts a unit of whole bytes in its place; those of usual widths without a loop.
#[inline(always)]
fn put(place: &mut [u8], unit: u64) {
    match (place, unit.to_be_bytes()) {
        ([a], [.., h]) => *a = h,
        ([a, b], [.., g, h]) => (*a, *b) = (g, h),
        ([a, b, c], [.., f, g, h]) => (*a, *b, *c) = (f, g, h),
        ([a, b, c, d], [.., e, f, g, h]) => (*a, *b, *c, *d) = (e, f, g, h),
        (place, _) => {
            let mut rest = unit;
            for byte in place.iter_mut().rev() {
                *byte = rest as u8;
                rest >>= 8;
            }
        }
    }
}

/// The unit of whole bytes in a place.
#[inline(always)]
fn get(place: &[u8]) -> u64 {
    match *place {
        [a] => a.into(),
        [a, b] => u16::from_be_bytes([a, b]).into(),
        [a, b, c] => u32::from_be_bytes([0, a, b, c]).into(),
        [a, b, c, d] => u32::from_be_bytes([a, b, c, d]).into(),
        _ => place.iter().fold(0, |unit, &byte| unit << 8 | u64::from(byte)),
    }
}

/// Bytes of a unit, where they are whole; 1 where there is none to divide a frame by.
const fn bytes<M: ChainMap>() -> usize {
    let bytes = (Tables::<M>::UNIT_BITS / 8) as usize;
    if bytes == 0 { 1 } else { bytes }
}
