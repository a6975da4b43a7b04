//! Notices what changes of itself, for the log: motion states, bridges, arrivals, switches and the flags of the status.
//!
//! A [`Snapshot`] is what a device showed at an instant; two of them make the entries between. The device takes one at
//! every instant at which something may have changed: each phase change of a ramp, each event of an axis, each call. So
//! an entry bears the instant of the change itself, no matter when anybody looks. What goes up and down again within one
//! instant is not seen.

use stepchain::map::{BridgeState, Holding, MotionState, StatusBit};

use super::axis::Axis;
use super::event::EventKind;

/// What a device shows at an instant.
#[derive(Clone, Debug, Default)]
pub(super) struct Snapshot {
    axes: Vec<OfAxis>,
    /// A one for each flag that is up, in the order of the map.
    raised: u64,
}

#[derive(Clone, Copy, Debug)]
struct OfAxis {
    phase: MotionState,
    bridge: BridgeState,
    arrived: bool,
    closed: bool,
    position: i64,
}

impl Snapshot {
    pub(super) fn of(axes: &[Axis], raised: u64, now_ns: u64) -> Self {
        let of_axis = |axis: &Axis| OfAxis {
            phase: axis.phase(now_ns),
            bridge: axis.bridge(now_ns),
            arrived: axis.has_arrived(now_ns),
            closed: axis.is_switch_closed(now_ns),
            position: axis.position(now_ns),
        };
        Self { axes: axes.iter().map(of_axis).collect(), raised }
    }

    /// What has changed until `later`, axis by axis, the flags last.
    pub(super) fn changes(&self, later: &Self, flags: &[StatusBit]) -> Vec<EventKind> {
        let mut changes = Vec::new();
        for (axis, (was, is)) in (0..).zip(self.axes.iter().zip(&later.axes)) {
            if was.phase != is.phase {
                changes.push(EventKind::MotionStateChanged { axis, from: was.phase, to: is.phase });
            }
            if was.bridge != is.bridge {
                changes.push(EventKind::BridgeChanged { axis, from: was.bridge, to: is.bridge });
            }
            if was.closed != is.closed {
                changes.push(EventKind::SwitchChanged { axis, closed: is.closed });
            }
            if is.arrived && !was.arrived {
                changes.push(EventKind::TargetReached { axis, position: is.position });
            }
        }
        let changed = self.raised ^ later.raised;
        for (index, bit) in flags.iter().enumerate().filter(|(index, _)| changed >> index & 1 == 1) {
            changes.push(EventKind::FlagChanged {
                axis: bit.axis,
                flag: bit.flag,
                raised: later.raised >> index & 1 == 1,
                latched: bit.holding != Holding::Live,
            });
        }
        changes
    }
}
