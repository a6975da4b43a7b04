//! The register map: one chip's datasheet as plain data, written once by the user.
//!
//! A [`Layout`] says how the wire is framed, which registers there are and what their codes mean, how a command
//! looks in bits and how its reply, where each status flag stands, and what the position counter is like. It is
//! data and nothing else: the driver's encoder and the simulator's decoder both interpret it, each with code of
//! its own. [`Devices`] says of which layouts one chain is made. Imports only [`units`](crate::units).
//!
//! Everything is built by `const` constructors and checked by [`Layout::validate`], a `const fn`, so that a bad
//! map does not compile; see [`check_map!`](crate::check_map).

mod coding;
mod devices;
mod flaw;
mod form;
mod layout;
mod message;
mod parameter;
mod register;
mod status;
mod validate;
mod vocabulary;
mod wire;

pub use crate::table::{Kinds, Mapped};
pub(crate) use coding::scale::{Encodings, Scale};
pub use coding::{Coding, CodingFlaw, Encoding, Sign, TableEntry};
pub use devices::{ChainFlaw, ChainMap, Devices, WireDifference};
pub use flaw::Flaw;
pub use form::{CommandForm, Piece, Refusal, Request, Source, Write};
pub(crate) use layout::same_text;
pub use layout::{Drive, Layout, PositionCounter, RegisterMap, WrapAround};
pub use message::Message;
pub use parameter::{CurveSegment, Parameter};
pub use register::{Access, BitField, Register};
pub use status::{Clearing, Flag, Holding, MotionStateField, Polarity, StatusBit, StatusLayout};
pub use vocabulary::{BridgeState, BufferMode, Direction, EdgeAction, MotionState, StopRamp, Verb, Way};
pub use wire::{BitOrder, Crc8, Framing, ReplyTiming, SharedWrite, SpareClocks, SpiMode, Wire};
