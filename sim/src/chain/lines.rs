//! Which lines there are around a chain, and when those that devices and machine drive are active.
//!
//! Knows no levels, no pins and nobody who waits.

use crate::device::Device;

/// Whose line it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Span {
    /// One device's, counted from 0 at the controller's output.
    Device(usize),
    /// All devices' lines joined (wired-or): active as soon as one of them is.
    Chain,
}

/// A line of the world that can be looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tap {
    Busy(Span),
    Fault(Span),
    HomeSwitch { device: usize, axis: usize },
}

impl Tap {
    /// Whether the line is active, among the devices of the chain.
    pub(super) fn is_active(self, devices: &[Device], now_ns: u64) -> bool {
        match self {
            Self::Busy(span) => of(devices, span).iter().flat_map(Device::axes).any(|axis| axis.is_busy(now_ns)),
            Self::Fault(span) => of(devices, span).iter().any(Device::is_faulted),
            Self::HomeSwitch { device, axis } => {
                let axis = devices.get(device).and_then(|device| device.axes().get(axis));
                axis.is_some_and(|axis| axis.is_switch_closed(now_ns))
            }
        }
    }
}

fn of(devices: &[Device], span: Span) -> &[Device] {
    match span {
        Span::Device(device) => devices.get(device..).and_then(|rest| rest.get(..1)).unwrap_or_default(),
        Span::Chain => devices,
    }
}

/// What a line that is driven does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Effect {
    HomeSwitch,
    StepPulses,
}

/// A line of the world that is driven, by axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Drive {
    pub(super) device: usize,
    pub(super) axis: usize,
    pub(super) effect: Effect,
}
