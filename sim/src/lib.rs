//! Host simulator for daisy chains of smart stepper drivers.
//!
//! A virtual chain receives the very frames that the driver sends, bit by bit, decodes them by the same register map
//! with code of its own, moves in virtual time, and answers.
//!
//! ```text
//!   SPI bytes            chain      handles for firmware: SpiDevice; SpiBus with a pin; DelayNs, pins, a clock
//!      v   ^
//!   bits                 wire       shift registers of N devices; edges where the SPI modes differ
//!      v   ^
//!   units, words         decode     what the bits mean, and what is answered
//!      v   ^
//!   registers, status    device     what the device does about it
//!      v   ^
//!   ramps                motion     where the motor is commanded to be, in closed form
//!      v
//!   currents, rotor      motor      what a motor behind a bridge makes of it, where an axis has one
//! ```
//!
//! What goes wrong on the way is a script of [`inject`], which the chain takes.
//!
//! On top of it stands the program `stepchain`: [`cli`] takes its arguments, [`mod@bench`] reads what is to be run, [`run`]
//! lets the driver and the chain do it, [`report`] shows what came of it; [`serve`] offers the chain to firmware over a
//! byte link. Tests of firmware say with [`expect`] what a chain must have done, and [`conformance`] tries every law on a map
//! of their own. [`mod@tune`] computes drive settings for a motor, whose constants [`mod@fit`] finds from measurements;
//! [`capture`] reads what was recorded on a real bus, [`replay`] holds it against a virtual chain, and [`wave`] writes what
//! a virtual bus does.

pub mod bench;
pub mod capture;
pub mod chain;
pub mod cli;
pub mod clock;
pub mod conformance;
pub mod decode;
pub mod device;
mod dice;
pub mod expect;
pub mod fit;
pub mod inject;
pub mod map_file;
pub mod motion;
pub mod motor;
pub mod random_map;
pub mod replay;
pub mod report;
pub mod run;
pub mod scope;
pub mod serve;
mod spelling;
mod text;
pub mod tune;
pub mod wave;
pub mod wire;
