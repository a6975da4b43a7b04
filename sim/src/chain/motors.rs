//! Motors on the axes of a chain: attached, asked, changed and recorded.
//!
//! What holds with a motor stands at [`MotorSetup`].

use super::{VirtualChain, axis_of};
use crate::device::{Device, MotorSample, MotorSetup};
use crate::motor::{Load, Motor, Supply};

impl VirtualChain {
    /// A motor is on an axis from now on, its rotor where the axis had it; [`MotorSetup`] says what holds with
    /// one. One that was there is taken off.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn attach_motor(&self, device: usize, axis: usize, setup: &MotorSetup) {
        self.change_axis(device, axis, |device, now_ns| device.attach_motor(axis, setup, now_ns));
    }

    /// A copy of the motor of an axis as it is now, to ask for currents, voltages, torque and temperatures; `None` where
    /// none is attached.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn motor(&self, device: usize, axis: usize) -> Option<Motor> {
        self.with_device(device, |device, now_ns| {
            axis_of(device, axis);
            device.motor(axis, now_ns)
        })
    }

    /// Keeps a sample of an axis' motor as often as this from now on, to look at its past; less often once there are many.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn record_motor(&self, device: usize, axis: usize, every_ns: u64) {
        self.change_axis(device, axis, |device, _| device.record_motor(axis, every_ns));
    }

    /// What has been kept of an axis' motor, in the order of time, and how it is now; nothing without a motor, or without
    /// [`record_motor`](Self::record_motor).
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn motor_samples(&self, device: usize, axis: usize) -> Vec<MotorSample> {
        self.with_device(device, |device, now_ns| {
            axis_of(device, axis);
            device.motor_samples(axis, now_ns)
        })
    }

    /// How far the rotor of an axis is behind its count now, in full steps: with a motor what it lags and what it has
    /// lost, without one what it has lost.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn following_error_steps(&self, device: usize, axis: usize) -> f64 {
        self.with_device(device, |device, now_ns| {
            axis_of(device, axis);
            device.following_error_steps(axis, now_ns)
        })
    }

    /// The motor of an axis turns another load from now on; without a motor nothing happens.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_load(&self, device: usize, axis: usize, load: &Load) {
        self.change_axis(device, axis, |device, now_ns| device.set_load(axis, load, now_ns));
    }

    /// The bridges of an axis with a motor hang on another supply from now on; without a motor nothing happens.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_supply(&self, device: usize, axis: usize, supply: &Supply) {
        self.change_axis(device, axis, |device, now_ns| device.set_supply(axis, supply, now_ns));
    }

    /// Lets time pass until every axis stands and every motor has come to rest, but no longer than `limit_ns` from now;
    /// whether all rest then.
    pub fn run_until_settled(&self, limit_ns: u64) -> bool {
        let last_ns = self.now_ns().saturating_add(limit_ns);
        loop {
            let is_still = self.run_until_still(last_ns - self.now_ns());
            let mut world = self.world();
            if !is_still || world.devices.iter().all(Device::is_settled) {
                return is_still;
            }
            let next_ns = world.next_event_ns().map_or(last_ns, |next_ns| next_ns.min(last_ns));
            if world.now_ns() >= last_ns {
                return false;
            }
            world.clock.advance_to_ns(next_ns);
            world.catch_up();
        }
    }
}
