//! Commands that are known when the firmware is compiled: as frames, made in a constant, with nothing left to calculate.
//!
//! ```text
//!   when compiled   commands -> codes -> words -> frames      as everywhere, by the same functions
//!   at run time     frames -> SPI -> status                   copied, and the status picked out of the last frame
//! ```
//!
//! For what a product says again and again: its stop, its question for the status, its moves of always the same length. An
//! image that sends nothing else has of the map's tables only what the status means, and no arithmetic.

use core::marker::PhantomData;

use crate::command::{AxisCommand, Command, Prepared};
use crate::map::{BitOrder, ChainMap, Crc8, Layout, Message, Piece, StatusLayout, Verb};
use crate::reply::{ReplyError, Status};
use crate::table::Tables;
use crate::wire;

use super::exchange::Aligned;
use super::talk::Pending;

/// One command for each of the `N` devices of `M`, as the `F` frames of `B` bytes that they are sent in.
///
/// Built in a constant: a command that the map does not have, a value that no code means, or another number of frames or
/// bytes than the commands take do not compile, and the message says which number it is.
/// [`Chain::exchange_constant`](super::Chain::exchange_constant) sends it; what is answered is not looked at.
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// # let frame = |mosi: [u8; 4]| [
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(mosi.to_vec(), vec![0; 4]),
/// #     Transaction::transaction_end(),
/// # ];
/// # let spi = Mock::new(&frame([0x3A, 0x18, 0x3A, 0x18]));
/// use stepchain::chain::Constant;
/// use stepchain::map::{BridgeState, StopRamp};
/// use stepchain::reference::Latched;
/// use stepchain::{Chain, Command};
///
/// const STOP: Command = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
/// /// Two devices of 16 bits are 4 bytes, and a stop is one unit.
/// static STOP_ALL: Constant<Latched, 2, 4, 1> = Constant::new([STOP.on(0); 2]);
///
/// let mut chain = Chain::<Latched, _, 2>::new(spi);
/// chain.exchange_constant(&STOP_ALL)?;
/// # chain.release().done();
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// Another number of bytes does not compile:
///
/// ```compile_fail,E0080
/// # use stepchain::chain::Constant;
/// # use stepchain::reference::Latched;
/// # use stepchain::Command;
/// // these commands take frames of 4 bytes, not 6
/// static HOME: Constant<Latched, 2, 6, 1> = Constant::new([Command::HomeOnCurrentPosition.on(0); 2]);
/// ```
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Constant<M, const N: usize, const B: usize, const F: usize> {
    frames: Aligned<[[u8; B]; F]>,
    filler: Aligned<[u8; B]>,
    map: PhantomData<M>,
}

/// The question for the status of all `N` devices of `M`, which clears nothing, as a [`Constant`].
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// # let frame = |mosi: [u8; 4], miso: [u8; 4]| [
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
/// #     Transaction::transaction_end(),
/// # ];
/// # let frames = [frame([0xE0, 0, 0xE0, 0], [0; 4]), frame([0x7E; 4], [0x80, 0x01, 0x80, 0x41])].concat();
/// # let spi = Mock::new(&frames);
/// use stepchain::Chain;
/// use stepchain::chain::ConstantLook;
/// use stepchain::map::Flag;
/// use stepchain::reference::Latched;
///
/// /// The status comes in the frame behind the question.
/// static LOOK: ConstantLook<Latched, 2, 4, 2> = ConstantLook::new();
///
/// let mut chain = Chain::<Latched, _, 2>::new(spi);
/// let answers = chain.look_constant(&LOOK)?;
/// assert_eq!(answers.status(0).unwrap()?.flag(Flag::HomeSwitch), Some(true));
/// # chain.release().done();
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ConstantLook<M, const N: usize, const B: usize, const F: usize> {
    constant: Constant<M, N, B, F>,
}

/// What the devices have answered to a [`ConstantLook`].
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "the devices' answers may say that something is wrong"]
pub struct ConstantAnswers<'a, M, const N: usize, const B: usize> {
    frame: &'a [u8; B],
    map: PhantomData<M>,
}

/// Where in its unit a device's status is, and what must be so around it.
#[derive(Clone, Copy, Debug)]
struct Reading {
    /// Bytes in the unit.
    bytes: usize,
    /// Whether the unit is the status word and nothing else, of 32 bits at most.
    is_bare: bool,
    crc: Option<Crc8>,
    /// The bits of the unit that the map fixes, and what they are.
    fixed_mask: u64,
    fixed: u64,
    runs: [Run; RUNS],
    known: u64,
}

/// Bits of the status word that stand together: `mask` of the unit, shifted right, or left.
#[derive(Clone, Copy, Debug)]
struct Run {
    mask: u64,
    is_right: bool,
    by: u32,
}

/// More parts of a status word than any reply should need.
const RUNS: usize = 4;

impl<M: ChainMap, const N: usize, const B: usize, const F: usize> Constant<M, N, B, F> {
    /// The frames for these commands, one for each device, all complete on the same chip-select edge.
    ///
    /// Meant for constants. Refused are, beside what the map does not have: questions, and what hangs on an answer under way
    /// (one field of a shared register; a sequence of writes each of which is answered).
    ///
    /// # Panics
    /// In a constant, with what does not fit: that is a compile error.
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    #[must_use]
    #[track_caller]
    pub const fn new(commands: [AxisCommand; N]) -> Self {
        let mut rest: &[AxisCommand] = &commands;
        while let [command, tail @ ..] = rest {
            rest = tail;
            if matches!(command.command, Command::ReadParameter { .. } | Command::PeekStatus | Command::TakeStatus) {
                panic!("nobody would read the answer to this question");
            }
        }
        Self::asking(commands)
    }

    #[track_caller]
    const fn asking(commands: [AxisCommand; N]) -> Self {
        M::DEVICES.assert_valid_for(N);
        let bytes = M::DEVICES.frame_bytes(N);
        if B != bytes {
            refuse("these commands take frames of ", bytes, " bytes, not ", B);
        }
        let pending = asked::<M, N>(&commands);
        let (request_units, reply_units) = lengths(&pending);
        let count = (request_units + reply_units) as usize;
        if F != count {
            refuse("the number of frames that these commands take is ", count, ", not ", F);
        }
        let mut frames = [[0; B]; F];
        let mut rest: &mut [[u8; B]] = &mut frames;
        let mut index = 0;
        while let [frame, tail @ ..] = rest {
            fill::<M>(frame, &pending, request_units, index);
            index += 1;
            rest = tail;
        }
        let mut filler = [0; B];
        fill::<M>(&mut filler, &[Pending::NOTHING; N], 0, 0);
        Self { frames: Aligned(frames), filler: Aligned(filler), map: PhantomData }
    }

    /// The frames, first byte on the wire first.
    #[must_use]
    pub const fn frames(&self) -> &[[u8; B]; F] {
        &self.frames.0
    }

    /// A frame of filler for every device.
    pub(super) const fn filler(&self) -> &[u8; B] {
        &self.filler.0
    }
}

#[track_caller]
#[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
const fn refuse(what: &str, found: usize, not: &str, expected: usize) -> ! {
    panic!("{}", Message::of_numbers(what, found, not, expected).as_str())
}

#[track_caller]
#[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
const fn asked<M: ChainMap, const N: usize>(commands: &[AxisCommand; N]) -> [Pending; N] {
    let mut pending = [Pending::NOTHING; N];
    let mut places: &mut [Pending] = &mut pending;
    let mut rest: &[AxisCommand] = commands;
    let mut device = 0;
    while let ([place, more @ ..], [command, tail @ ..]) = (places, rest) {
        let layout = M::DEVICES.layout(device);
        match Prepared::new(layout, *command) {
            Ok(prepared) => *place = Pending::new(layout, prepared),
            Err(_) => panic!("the map has no such command, or no code for its value"),
        }
        if place.hangs_on_answers(layout) {
            panic!("what is sent for this command hangs on what is answered under way");
        }
        device += 1;
        (places, rest) = (more, tail);
    }
    pending
}

/// The most units of a request and of a reply.
const fn lengths<const N: usize>(pending: &[Pending; N]) -> (u16, u16) {
    let (mut request, mut reply) = (0, 0);
    let mut rest: &[Pending] = pending;
    while let [place, tail @ ..] = rest {
        rest = tail;
        let (units, reply_units) = place.units();
        request = if units > request { units } else { request };
        reply = if reply_units > reply { reply_units } else { reply };
    }
    (request, reply)
}

/// Puts each device's unit of the frame at `index` in its place.
const fn fill<M: ChainMap>(frame: &mut [u8], pending: &[Pending], request_units: u16, index: u16) {
    let unit_bits = M::DEVICES.unit_bits();
    let mut offset = frame.len() * 8;
    let mut rest = pending;
    let mut device = 0;
    while let [place, tail @ ..] = rest {
        rest = tail;
        offset = offset.saturating_sub(unit_bits as usize);
        let layout = M::DEVICES.layout(device);
        let unit = match place.unit(layout, request_units, index) {
            Some(unit) => unit,
            None => wire::filler(layout),
        };
        wire::put_bits(frame, offset, unit_bits, unit);
        device += 1;
    }
}

impl<M: ChainMap, const N: usize, const B: usize, const F: usize> ConstantLook<M, N, B, F> {
    /// The question.
    ///
    /// Meant for constants. Refused is a map whose status reply is not one unit of whole bytes, most significant bit first.
    ///
    /// # Panics
    /// In a constant, with what does not fit: that is a compile error.
    #[must_use]
    #[track_caller]
    #[allow(clippy::new_without_default, reason = "a default could not be a constant")]
    pub const fn new() -> Self {
        let _ = const { Readings::<M, N>::EACH };
        Self { constant: Constant::asking([Command::PeekStatus.on(0); N]) }
    }

    /// The frames, first byte on the wire first.
    #[must_use]
    pub const fn frames(&self) -> &[[u8; B]; F] {
        self.constant.frames()
    }

    /// The frames and the filler.
    pub(super) const fn constant(&self) -> &Constant<M, N, B, F> {
        &self.constant
    }
}

/// What is known of the devices' answers when the firmware is compiled.
struct Readings<M, const N: usize>(PhantomData<M>);

impl<M: ChainMap, const N: usize> Readings<M, N> {
    const EACH: [Reading; N] = {
        let mut readings = [Self::FIRST; N];
        let mut places: &mut [Reading] = &mut readings;
        let mut device = 0;
        while let [place, more @ ..] = places {
            *place = Reading::of(M::DEVICES.layout(device));
            device += 1;
            places = more;
        }
        readings
    };
    const FIRST: Reading = Reading::of(M::DEVICES.layout(0));
    /// Apart from the layout: an image that has nothing else of it is spared the rest.
    const STATUS: StatusLayout = M::DEVICES.layout(0).status;
}

impl Reading {
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    const fn of(layout: &Layout) -> Self {
        let Some(form) = layout.form(Verb::PeekStatus) else {
            panic!("the map has no question for the status");
        };
        match Self::of_reply(layout, form.reply) {
            Some(reading) => reading,
            None => panic!("a constant reads a status only from a reply of one unit of whole bytes, first bit first"),
        }
    }

    const fn of_reply(layout: &Layout, pieces: &[Piece]) -> Option<Self> {
        let wire = &layout.wire;
        let unit_bits = wire.unit_bits as u16;
        if !unit_bits.is_multiple_of(8)
            || matches!(wire.bit_order, BitOrder::LsbFirst)
            || Piece::total_width(pieces, 0) != unit_bits
        {
            return None;
        }
        let mut reading = Self {
            bytes: (unit_bits / 8) as usize,
            is_bare: matches!(pieces, [Piece::Status { lsb: 0, width: 1..=32 }]),
            crc: None,
            fixed_mask: 0,
            fixed: 0,
            runs: [Run { mask: 0, is_right: true, by: 0 }; RUNS],
            known: 0,
        };
        let mut below = unit_bits;
        let mut runs: &mut [Run] = &mut reading.runs;
        let mut rest = pieces;
        while let [piece, tail @ ..] = rest {
            rest = tail;
            let width = piece.width(0);
            below -= width;
            let mask = wire::low_bits(width) << below;
            match *piece {
                Piece::Fixed { value, .. } => {
                    reading.fixed_mask |= mask;
                    reading.fixed |= value << below & mask;
                }
                // It is asked of axis 0.
                Piece::Axis { .. } => reading.fixed_mask |= mask,
                Piece::Status { lsb, .. } => {
                    let [run, more @ ..] = runs else {
                        return None;
                    };
                    let left = lsb as u16;
                    *run = Run { mask, is_right: below >= left, by: below.abs_diff(left) as u32 };
                    reading.known |= wire::low_bits(width) << left;
                    runs = more;
                }
                Piece::Crc => reading.crc = wire.crc,
                Piece::Any { .. } => {}
                // Nothing else says anything in the answer to a question without a register.
                _ => return None,
            }
        }
        Some(reading)
    }

    /// The status word in a device's unit.
    ///
    /// `check` makes the check over bytes.
    #[inline(always)]
    fn word(&self, unit: &[u8], check: impl Fn(Crc8, &[u8]) -> u8) -> Result<u64, ReplyError> {
        if self.is_bare {
            return Ok(u64::from(unit.iter().fold(0, |word: u32, &byte| word << 8 | u32::from(byte))));
        }
        if let Some(crc) = self.crc
            && let [content @ .., found] = unit
        {
            let expected = check(crc, content);
            if expected != *found {
                return Err(ReplyError::Crc { expected, found: *found });
            }
        }
        let unit = unit.iter().fold(0, |unit: u64, &byte| unit << 8 | u64::from(byte));
        if unit & self.fixed_mask != self.fixed {
            return Err(ReplyError::Malformed);
        }
        let mut word = 0;
        for run in self.runs.iter().take_while(|run| run.mask != 0) {
            let bits = unit & run.mask;
            word |= if run.is_right { bits.checked_shr(run.by) } else { bits.checked_shl(run.by) }.unwrap_or(0);
        }
        Ok(word)
    }
}

impl<'a, M: ChainMap, const N: usize, const B: usize> ConstantAnswers<'a, M, N, B> {
    pub(super) const fn new(frame: &'a [u8; B]) -> Self {
        Self { frame, map: PhantomData }
    }

    /// A device's status; `None` if there is no such device.
    ///
    /// What is wrong with the reply is in it: [`ReplyError::Crc`] or [`ReplyError::Malformed`].
    #[inline(always)]
    #[must_use]
    pub fn status(&self, device: usize) -> Option<Result<Status, ReplyError>> {
        if device >= N {
            return None;
        }
        let (reading, layout) = if const { M::DEVICES.are_alike() } {
            (const { &Readings::<M, N>::FIRST }, const { &Readings::<M, N>::STATUS })
        } else {
            (const { &Readings::<M, N>::EACH }.get(device)?, &M::DEVICES.layout(device).status)
        };
        // The last device's unit came first.
        let unit = self.frame.get(B.checked_sub(reading.bytes * (device + 1))?..)?.get(..reading.bytes)?;
        let check = |crc, bytes: &[u8]| match const { M::DEVICES.are_alike() } {
            true => Tables::<M>::check_of(crc, bytes),
            false => wire::check_of(crc, bytes),
        };
        Some(reading.word(unit, check).map(|word| Status::new(word, reading.known, layout)))
    }
}
