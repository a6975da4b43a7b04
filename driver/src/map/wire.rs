//! The wire: how bits are framed between chip-select edges, before any command is known.

use embedded_hal::spi::{MODE_0, MODE_1, MODE_2, MODE_3, Mode};

use super::form::Piece;

/// Clock polarity and phase, by the numbers that embedded-hal calls `MODE_0` to `MODE_3`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SpiMode {
    /// Clock idles low, data is captured on the first (rising) edge.
    Mode0,
    /// Clock idles low, data is captured on the second (falling) edge.
    Mode1,
    /// Clock idles high, data is captured on the first (falling) edge.
    Mode2,
    /// Clock idles high, data is captured on the second (rising) edge.
    Mode3,
}

impl SpiMode {
    /// The mode in embedded-hal's terms.
    #[must_use]
    pub const fn to_hal(self) -> Mode {
        match self {
            Self::Mode0 => MODE_0,
            Self::Mode1 => MODE_1,
            Self::Mode2 => MODE_2,
            Self::Mode3 => MODE_3,
        }
    }
}

/// What the device takes between two chip-select edges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Framing {
    /// Chip select rises after every unit; a command is one or several units.
    LatchedUnits,
    /// Chip select rises after one whole word; every command is exactly one unit.
    FixedWord,
}

/// Which bit of a unit leaves first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BitOrder {
    /// The most significant bit.
    MsbFirst,
    /// The least significant bit; the driver reverses the unit, the SPI peripheral stays MSB first.
    LsbFirst,
}

/// When a reply leaves the device. Either way its first unit is the one after the request's last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ReplyTiming {
    /// In slots that belong to the command itself: filler is sent in them, and the next command comes after them.
    SameSlots,
    /// In the frames of the next command, which may be shifted in meanwhile.
    NextFrame,
}

/// Whether clocks beyond the chain's own bits do harm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SpareClocks {
    /// Bits clocked before the frame fall out at the far end; the frame is padded in front to whole bytes.
    Tolerated,
    /// A device counts its clocks: only chains whose frame is whole bytes can be driven.
    Refused,
}

/// How one of several fields in a register is written without touching its neighbours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SharedWrite {
    /// The register is read, the field replaced, and the register written, in one call.
    ReadModifyWrite,
    /// The registers cannot be read back, or should not be: what was written last is remembered
    /// ([`Shadow`](crate::settings::Shadow)).
    Shadow,
}

/// An eight-bit cyclic redundancy check, by the parameters that public catalogues list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Crc8 {
    /// The generator polynomial without its leading one, most significant bit first.
    pub polynomial: u8,
    /// The register's start value.
    pub initial: u8,
    /// Whether bits enter in reflected order (least significant bit of each byte first) and the result is reflected.
    pub reflected: bool,
    /// What the result is exclusive-ored with.
    pub xor_out: u8,
}

impl Crc8 {
    /// A check with this polynomial, from zero, not reflected.
    #[must_use]
    pub const fn new(polynomial: u8) -> Self {
        Self { polynomial, initial: 0, reflected: false, xor_out: 0 }
    }

    /// The same with another start value.
    #[must_use]
    pub const fn initial(mut self, initial: u8) -> Self {
        self.initial = initial;
        self
    }

    /// The same with reflected input and output.
    #[must_use]
    pub const fn reflected(mut self) -> Self {
        self.reflected = true;
        self
    }

    /// The same with another final exclusive-or.
    #[must_use]
    pub const fn xor_out(mut self, xor_out: u8) -> Self {
        self.xor_out = xor_out;
        self
    }
}

/// The wire format of a device.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Wire {
    /// Clock polarity and phase.
    pub mode: SpiMode,
    /// What one chip-select release takes.
    pub framing: Framing,
    /// Bits in one unit, 1 to 64.
    pub unit_bits: u8,
    /// Which bit of a unit leaves first.
    pub bit_order: BitOrder,
    /// When replies leave.
    pub reply_timing: ReplyTiming,
    /// Whether spare clocks in front of a frame do harm.
    pub spare_clocks: SpareClocks,
    /// One unit that means nothing to the device.
    pub filler: &'static [Piece],
    /// The unit that a device shifts out when it has no reply to give.
    pub idle_reply: &'static [Piece],
    /// How one of several fields in a register is written.
    pub shared_write: SharedWrite,
    /// The check that [`Piece::Crc`] stands for.
    pub crc: Option<Crc8>,
    /// Shortest time that chip select has to stay released between two frames, in nanoseconds.
    pub min_deselect_ns: u32,
    /// Fastest clock, in hertz.
    pub max_clock_hz: u32,
}

impl Wire {
    /// Units of `unit_bits`, each latched by its own chip-select release; `filler` is one unit that means nothing.
    ///
    /// Mode 0, most significant bit first, replies in the same slots, spare clocks tolerated, idle replies of
    /// zeros, 1 MHz, 1 µs deselected, until told otherwise.
    #[must_use]
    pub const fn latched_units(unit_bits: u8, filler: &'static [Piece]) -> Self {
        Self {
            mode: SpiMode::Mode0,
            framing: Framing::LatchedUnits,
            unit_bits,
            bit_order: BitOrder::MsbFirst,
            reply_timing: ReplyTiming::SameSlots,
            spare_clocks: SpareClocks::Tolerated,
            filler,
            idle_reply: &[],
            shared_write: SharedWrite::ReadModifyWrite,
            crc: None,
            min_deselect_ns: 1_000,
            max_clock_hz: 1_000_000,
        }
    }

    /// Fixed words of `word_bits`; `filler` is one word that means nothing.
    ///
    /// As [`latched_units`](Self::latched_units), but replies come in the next frame.
    #[must_use]
    pub const fn fixed_word(word_bits: u8, filler: &'static [Piece]) -> Self {
        let mut wire = Self::latched_units(word_bits, filler);
        wire.framing = Framing::FixedWord;
        wire.reply_timing = ReplyTiming::NextFrame;
        wire
    }

    /// The same with another clock polarity and phase.
    #[must_use]
    pub const fn mode(mut self, mode: SpiMode) -> Self {
        self.mode = mode;
        self
    }

    /// The same with another bit order.
    #[must_use]
    pub const fn bit_order(mut self, bit_order: BitOrder) -> Self {
        self.bit_order = bit_order;
        self
    }

    /// The same with another time of reply.
    #[must_use]
    pub const fn reply_timing(mut self, reply_timing: ReplyTiming) -> Self {
        self.reply_timing = reply_timing;
        self
    }

    /// The same for a device that counts its clocks.
    #[must_use]
    pub const fn no_spare_clocks(mut self) -> Self {
        self.spare_clocks = SpareClocks::Refused;
        self
    }

    /// The same with the unit that is shifted out when there is no reply; all zeros if empty.
    #[must_use]
    pub const fn idle_reply(mut self, pieces: &'static [Piece]) -> Self {
        self.idle_reply = pieces;
        self
    }

    /// The same with another way to write one of several fields in a register.
    #[must_use]
    pub const fn shared_write(mut self, shared_write: SharedWrite) -> Self {
        self.shared_write = shared_write;
        self
    }

    /// The same with the check that [`Piece::Crc`] stands for.
    #[must_use]
    pub const fn crc(mut self, crc: Crc8) -> Self {
        self.crc = Some(crc);
        self
    }

    /// The same with these limits: clock in hertz at most, chip select released for nanoseconds at least.
    #[must_use]
    pub const fn timing(mut self, max_clock_hz: u32, min_deselect_ns: u32) -> Self {
        self.max_clock_hz = max_clock_hz;
        self.min_deselect_ns = min_deselect_ns;
        self
    }

    /// The bits of one unit, as a mask of the low bits of a `u64`.
    #[must_use]
    pub const fn unit_mask(&self) -> u64 {
        match self.unit_bits {
            0 => 0,
            bits if bits >= 64 => u64::MAX,
            bits => (1 << bits) - 1,
        }
    }
}
