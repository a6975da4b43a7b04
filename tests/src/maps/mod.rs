//! Four register maps beside the driver's two, to prove that a map can say what real wires do.
//!
//! All are of the project's own invention.

mod mirrored;
mod prefixed;
mod sibling;
mod twin;

pub use mirrored::Mirrored;
pub use prefixed::Prefixed;
pub use sibling::Sibling;
pub use twin::Twin;
