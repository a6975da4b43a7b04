//! Places the words of N devices into the frames of one daisy chain, and takes the replies apart again.
//!
//! The devices are alike, or each has a map of its own on one common [wire form](crate::map::Devices).
//! Device 0 is the one whose input is wired to the controller's output. [`Codec`] and [`Talk`] do no I/O and work on
//! slices of any length; [`Chain`] is the thin blocking front that owns the SPI device, and with the feature `async`
//! `AsyncChain` the one for executors. They differ in the loop that transfers and in nothing else. Keeps no time.

#[cfg(feature = "async")]
mod asynchronous;
mod blocking;
mod codec;
mod constant;
mod error;
mod exchange;
mod heed;
mod procedure;
mod refusal;
mod still;
mod talk;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;
pub mod verified;

#[cfg(feature = "async")]
pub use asynchronous::{AsyncChain, PinWaitError};
pub use blocking::Chain;
pub use codec::{BeginError, Codec};
pub use constant::{Constant, ConstantAnswers, ConstantLook};
pub use error::{DeviceError, Error};
pub(crate) use exchange::{only, waits};
pub(crate) use heed::Heeded;
pub use procedure::{Procedure, Step};
pub(crate) use refusal::{Looks, moves, obstacle};
pub use refusal::{Obstacle, RefusalNotice};
pub use still::{StillError, UntilStill};
pub(crate) use talk::Fillers;
pub use talk::{Pending, Talk};
pub use verified::{Counters, Doubt, Retries, Verifier, VerifyError};
