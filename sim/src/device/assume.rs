//! The back door by which a device becomes what a recording says that it is: no word, no refusal, no answer.

use stepchain::map::{BridgeState, Holding, StopRamp, Verb};

use crate::decode::{Argument, Dictionary};

use super::Device;
use super::registers::field_of;

impl Device {
    /// The writable fields of the register at an address hold this from now on, whoever may write them and when.
    pub fn assume_content(&mut self, address: u16, content: u32, now_ns: u64) {
        self.advance(now_ns);
        let dictionary = self.dictionary();
        for field in dictionary.fields(address).filter(|field| Dictionary::is_writable(field)) {
            self.store(field, field_of(content, field), now_ns);
        }
        self.tell_news(now_ns);
    }

    /// What the status remembers is as this status word shows it, as far as the mask has ones; flags that show the
    /// present are left alone.
    pub fn assume_latched(&mut self, status: u64, mask: u64, now_ns: u64) {
        self.advance(now_ns);
        for bit in self.layout().status.flags.iter().filter(|bit| bit.holding != Holding::Live) {
            if mask.checked_shr(bit.bit.into()).unwrap_or(0) & 1 == 1 {
                self.flags.assume(bit, bit.is_raised(status));
            }
        }
        self.tell_news(now_ns);
    }

    /// An axis makes no more steps from now on, and its bridge is in this state.
    pub fn assume_stand(&mut self, axis: u8, bridge: BridgeState, now_ns: u64) {
        self.advance(now_ns);
        self.waiting.remove(&axis);
        // Only the parameters of a ramp could be in the way, and this stop has none.
        let stop = Verb::Stop(StopRamp::None, bridge);
        if usize::from(axis) < self.axes.len() && self.obey(stop, axis, Argument::None, now_ns).is_err() {
            self.axes[usize::from(axis)].shut_off(now_ns);
        }
        self.tell_news(now_ns);
    }
}
