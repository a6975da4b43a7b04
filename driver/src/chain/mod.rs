//! Places the words of N devices into the frames of one daisy chain, and takes the replies apart again.
//!
//! Device 0 is the one whose input is wired to the controller's output. [`Codec`] and [`Talk`] do no I/O and work on
//! slices of any length; [`Chain`] is the thin blocking front that owns the SPI device. Keeps no time.

mod blocking;
mod codec;
mod procedure;
mod talk;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;

pub use blocking::{Chain, Error};
pub use codec::{BeginError, Codec};
pub use procedure::{Procedure, Step};
pub use talk::{Pending, Talk};
