//! Commands from interrupts and tasks to the one owner of the chain.
//!
//! Many post, one pumps. Above stand [`Command`](crate::Command)s for a device and an axis, below the
//! [`Chain`](crate::Chain); one pump takes at most one command for each device, and what it takes leaves in the same
//! frames:
//!
//! ```text
//!   interrupt  post(0, move)  ---> | device 0, axis 0: move        |
//!   interrupt  post(1, stop)  ---> | device 1, axis 0: stop, read  |  take -> [move, stop, filler] -> the same frames
//!   task       post(1, read)  ---> | device 2, axis 0:             |  done <- the answers
//! ```
//!
//! * Commands for one axis of one device leave in the order in which they were posted. Each axis has a queue of its
//!   own, so that a busy one cannot fill its neighbour's. The axes of one device share the device's place in a frame:
//!   they take turns, so that of `AXES` axes that have something to send each gets at least every `AXES`-th pump.
//! * A full queue is an error to the poster, and gives the command back.
//! * [`take`](Mailbox::take) looks at all devices within one critical section, so what one interrupt posts to empty
//!   queues leaves together. A task that may be interrupted between two posts uses
//!   [`post_together`](Mailbox::post_together).
//!
//! # Time with interrupts off
//!
//! No transfer, no encoding and no code of the caller's runs inside a critical section. What does is this, and nothing
//! in it waits or depends on what is queued elsewhere:
//!
//! | call | work |
//! | --- | --- |
//! | `post` | one comparison for a free place, one copy of a command (20 bytes): O(1) |
//! | `post_latest` | walks one queue from its end, then as `post`: O(`DEPTH`) |
//! | `post_together` | a comparison, then a copy, for each device: O(N) |
//! | `take` | for each device a look at its queues until one is not empty, then a copy: O(N·`AXES`) |
//! | `done`, `failed`, `refused` | a comparison of numbers for each device: O(N) |
//!
//! # When a device refuses
//!
//! A pump looks, after commands that a device can refuse, at the status of their devices, and the [`Answer`] is
//! [`DeviceError::Rejected`](crate::chain::DeviceError::Rejected) if that says so: two exchanges in a pump instead of one,
//! where the commands' own replies do not tell. What is posted meanwhile waits for the next pump.
//!
//! # When a transfer fails
//!
//! A taken command keeps a place of its own, in front of its device's queues, until [`done`](Mailbox::done) is told
//! what was answered. So a command is never lost silently and a later one never overtakes it; but nobody knows
//! whether the devices have seen what the failed transfer was to bring. [`failed`](Mailbox::failed) therefore tells
//! two kinds apart:
//!
//! * What means the same when it arrives twice stays in front and leaves with the next pump: velocities, stops, writes,
//!   reads, peeks, moves to a place the shortest way, homing on the current position (nothing else leaves for the
//!   device meanwhile).
//! * What does not is given back, for the owner to judge: a move by a distance would go twice as far, a move to a place
//!   in a given direction might go all the way round again, a second taking of the status finds the first one's flags
//!   cleared, and of a register of the map's own nobody here knows what reading or writing it does.
//!
//! [`pump`](Mailbox::pump) does this by itself. A front of another kind uses the halves: [`take`](Mailbox::take), an
//! exchange (which looks at nothing), then [`done`](Mailbox::done), [`failed`](Mailbox::failed) or, if a command could not be encoded,
//! [`refused`](Mailbox::refused). A future that is dropped amid its exchange counts as a failed transfer: call
//! [`failed`](Mailbox::failed) before the next [`take`](Mailbox::take), which would otherwise take the same commands
//! once more. (`pump_async`, of the feature `async`, needs no such care: the pump after it does that.)

mod latch;
mod post;
mod pump;
mod queue;
#[cfg(test)]
mod tests;

pub use latch::FaultLatch;
pub use post::{Mailbox, PostError};
pub use pump::{Answer, PumpError, PumpFault, Taken};
pub use queue::{Posted, Ticket};
