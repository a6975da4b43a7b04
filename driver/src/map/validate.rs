//! Refuses a map that cannot work, at compile time: wire, registers, commands, status and counter in turn.
//!
//! Everything here is `const fn`, so lists are walked by slice patterns and errors returned by `match`.

mod commands;
mod distinct;
mod registers;
mod status;
mod tally;
#[cfg(test)]
mod tests;
mod writes;

use super::flaw::Flaw;
use super::form::Piece;
use super::layout::Layout;
use super::wire::{Framing, ReplyTiming};

/// `?` for `const fn`.
macro_rules! ok {
    ($result:expr) => {
        match $result {
            Ok(value) => value,
            Err(flaw) => return Err(flaw),
        }
    };
}
/// `ok!(if condition { Err(flaw) })`.
macro_rules! refuse_if {
    ($condition:expr, $flaw:expr) => {
        if $condition {
            return Err($flaw);
        }
    };
}
use {ok, refuse_if};

impl Layout {
    /// Checks the layout for everything that would make an encoder or a decoder go wrong.
    ///
    /// # Errors
    /// The first [`Flaw`] found, which names the culprit.
    pub const fn validate(&self) -> Result<(), Flaw> {
        ok!(wire(self));
        ok!(counter(self));
        ok!(status::check(self));
        ok!(registers::check(self));
        commands::check(self)
    }

    /// Stops the compilation of a constant that evaluates it, with the flaw's message, if the layout is flawed.
    ///
    /// # Panics
    /// If [`validate`](Self::validate) finds a flaw; meant for constants, where that is a compile error.
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    #[track_caller]
    pub const fn assert_valid(&self) {
        if let Err(flaw) = self.validate() {
            panic!("{}", flaw.message().as_str());
        }
    }

    /// As [`assert_valid`](Self::assert_valid), and that a chain of this many devices can be framed in whole bytes.
    ///
    /// # Panics
    /// If not; meant for constants, where that is a compile error.
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    #[track_caller]
    pub const fn assert_valid_for(&self, devices: usize) {
        self.assert_valid();
        if let Err(flaw) = self.validate_for(devices) {
            panic!("{}", flaw.message().as_str());
        }
    }

    /// Checks that a chain of this many devices can be framed in whole bytes.
    ///
    /// # Errors
    /// [`Flaw::NoDevices`] for none at all, [`Flaw::FrameNotWhole`] if its bits are not whole bytes and the devices
    /// tolerate no spare clocks.
    pub const fn validate_for(&self, devices: usize) -> Result<(), Flaw> {
        refuse_if!(devices == 0, Flaw::NoDevices);
        let shown = if devices < u16::MAX as usize { devices as u16 } else { u16::MAX };
        refuse_if!(!self.can_frame(devices), Flaw::FrameNotWhole { devices: shown, unit_bits: self.wire.unit_bits });
        Ok(())
    }
}

const fn wire(layout: &Layout) -> Result<(), Flaw> {
    let wire = &layout.wire;
    refuse_if!(wire.unit_bits == 0 || wire.unit_bits > 64, Flaw::UnitBits { found: wire.unit_bits });
    refuse_if!(layout.axes == 0 || layout.axes > 16, Flaw::Axes { found: layout.axes });
    refuse_if!(wire.max_clock_hz == 0, Flaw::MaxClock);
    refuse_if!(
        matches!((wire.framing, wire.reply_timing), (Framing::FixedWord, ReplyTiming::SameSlots)),
        Flaw::RepliesInSameSlots
    );
    let unit = wire.unit_bits as u16;
    refuse_if!(Piece::total_width(wire.filler, 0) != unit, Flaw::Filler);
    let idle = Piece::total_width(wire.idle_reply, 0);
    refuse_if!(idle != unit && idle != 0, Flaw::IdleReply);
    let mut rest = wire.filler;
    while let [piece, tail @ ..] = rest {
        refuse_if!(!matches!(piece, Piece::Fixed { .. } | Piece::Any { .. } | Piece::Crc), Flaw::Filler);
        rest = tail;
    }
    ok!(commands::check_pieces(layout, wire.filler, "filler", false));
    refuse_if!(commands::lacks_check(layout, wire.filler), Flaw::CrcLeftOut { command: "filler" });
    let mut rest = wire.idle_reply;
    while let [piece, tail @ ..] = rest {
        let kind = matches!(piece, Piece::Fixed { .. } | Piece::Any { .. } | Piece::Status { .. } | Piece::Crc);
        refuse_if!(!kind, Flaw::IdleReply);
        rest = tail;
    }
    commands::check_pieces(layout, wire.idle_reply, "idle reply", true)
}

const fn counter(layout: &Layout) -> Result<(), Flaw> {
    let position = &layout.position;
    refuse_if!(position.bits < 8 || position.bits > 32, Flaw::CounterBits { found: position.bits });
    refuse_if!(position.resolutions.is_empty(), Flaw::Resolution { found: 0 });
    let mut rest = position.resolutions;
    while let [resolution, tail @ ..] = rest {
        refuse_if!(!resolution.is_power_of_two(), Flaw::Resolution { found: *resolution });
        rest = tail;
    }
    Ok(())
}
