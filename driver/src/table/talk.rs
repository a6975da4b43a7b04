//! The frames of one call, by a map's tables: as [`chain::Talk`](crate::Talk), for devices that are alike.

use core::marker::PhantomData;

use crate::map::ChainMap;
use crate::wire;

use super::{Asked, Tables};

/// The frames of one call.
#[derive(Debug)]
pub(crate) struct Talk<'a, M> {
    asked: &'a mut [Asked],
    frame: &'a mut [u8],
    /// Frames that are still to come.
    left: u16,
    map: PhantomData<M>,
}

impl<'a, M: ChainMap> Talk<'a, M> {
    /// The talk behind so many idle frames, in a buffer that is as long as the frame of so many devices.
    pub(crate) fn new(asked: &'a mut [Asked], frame: &'a mut [u8], idle: u16) -> Self {
        let (mut request, mut reply) = (0, 0);
        for one in asked.iter() {
            let (units, reply_units) = one.units();
            request = units.max(request);
            reply = reply_units.max(reply);
        }
        // Shorter commands begin later, so that all are complete on one edge.
        let request = request.saturating_add(idle);
        for one in asked.iter_mut() {
            one.wait(request.saturating_sub(one.units().0));
        }
        Self { asked, frame, left: request.saturating_add(reply), map: PhantomData }
    }

    /// The next frame to exchange, in place, within one chip selection; `None` once the talk is over.
    pub(crate) fn next_frame(&mut self) -> Option<&mut [u8]> {
        self.left = self.left.checked_sub(1)?;
        let bits = Tables::<M>::UNIT_BITS;
        if bits.is_multiple_of(8) {
            // The last device's unit leaves first.
            let places = self.frame.rchunks_exact_mut(const { bytes::<M>() });
            for (one, place) in self.asked.iter_mut().zip(places) {
                let mut unit = one.next_unit::<M>();
                for byte in place.iter_mut().rev() {
                    *byte = unit as u8;
                    unit >>= 8;
                }
            }
        } else {
            self.frame.fill(0);
            // After the padding; so the frame is filled from its end.
            let mut offset = self.frame.len() * 8;
            for one in self.asked.iter_mut() {
                offset = offset.saturating_sub(bits.into());
                wire::put_bits(self.frame, offset, bits, one.next_unit::<M>());
            }
        }
        Some(self.frame)
    }

    /// Reads what the exchange left in the frame.
    pub(crate) fn came_back(&mut self) {
        let bits = Tables::<M>::UNIT_BITS;
        if bits.is_multiple_of(8) {
            let places = self.frame.rchunks_exact(const { bytes::<M>() });
            for (one, place) in self.asked.iter_mut().zip(places) {
                one.came_back::<M>(|| place.iter().fold(0, |unit, &byte| unit << 8 | u64::from(byte)));
            }
        } else {
            // The last device's reply comes first, before what the padding pushes out.
            let mut offset = self.asked.len() * bits as usize;
            for one in self.asked.iter_mut() {
                offset = offset.saturating_sub(bits.into());
                one.came_back::<M>(|| wire::get_bits(self.frame, offset, bits));
            }
        }
    }
}

/// Bytes of a unit, where they are whole; 1 where there is none to divide a frame by.
const fn bytes<M: ChainMap>() -> usize {
    let bytes = (Tables::<M>::UNIT_BITS / 8) as usize;
    if bytes == 0 { 1 } else { bytes }
}
