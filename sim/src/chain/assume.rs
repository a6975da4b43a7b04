//! The back door by which a chain becomes what a recording of another one says.

use stepchain::map::BridgeState;

use super::VirtualChain;

impl VirtualChain {
    /// The writable fields of a register hold this from now on, behind the firmware's back.
    ///
    /// # Panics
    /// If the chain has no such device.
    pub fn assume_content(&self, device: usize, address: u16, content: u32) {
        self.with_device(device, |device, now_ns| device.assume_content(address, content, now_ns));
    }

    /// What the status of a device remembers is as this status word shows it, as far as the mask has ones.
    ///
    /// # Panics
    /// If the chain has no such device.
    pub fn assume_latched(&self, device: usize, status: u64, mask: u64) {
        self.with_device(device, |device, now_ns| device.assume_latched(status, mask, now_ns));
    }

    /// An axis makes no more steps from now on, and its bridge is in this state.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn assume_stand(&self, device: usize, axis: usize, bridge: BridgeState) {
        let number = u8::try_from(axis).unwrap_or(u8::MAX);
        self.change_axis(device, axis, |device, now_ns| device.assume_stand(number, bridge, now_ns));
    }
}
