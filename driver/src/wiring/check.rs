//! The check itself: what to shift through next, and what came back of it.

use crate::chain::{Codec, Fillers, Pending, Talk};
use crate::command::Command;
use crate::map::{ChainFlaw, Devices, SpareClocks, Verb};
use crate::wire;

use super::{MARKER_BITS, Report, WiringError};

/// Shifted through first; then its complement, and so on in turn. Any bits do.
const MARKER: u32 = 0xB8E5_1D2C;
/// Frames with a marker until two in a row have to agree.
const MOST_PROBES: u16 = 8;

/// A wiring check in two halves, without I/O: [`next_frame`](Self::next_frame) says what to exchange, in place, and
/// [`came_back`](Self::came_back) looks at what came; [`verdict`](Self::verdict) says what was found.
#[derive(Debug)]
#[must_use = "a check sends nothing by itself: exchange its frames"]
pub struct Check<'a> {
    codec: Codec,
    expected: Option<usize>,
    /// Both are given away to the last stage.
    pending: &'a mut [Pending],
    buffer: &'a mut [u8],
    stage: Stage<'a>,
    /// Whether every bit that came so far was a one, or a zero.
    only_ones: bool,
    only_zeros: bool,
    /// Whether everything that was sent in frames of equal units came back at once.
    only_echoes: bool,
    /// The level at the end of every frame with a marker, if it was always the same.
    rests: Option<bool>,
    verdict: Result<Report, WiringError>,
}

#[derive(Debug)]
enum Stage<'a> {
    /// So many idle frames to go.
    Idle(u16),
    /// The probe with this number, and after how many bits the one before came back.
    Probe {
        number: u16,
        delay: Option<usize>,
    },
    /// Asking each device.
    Ask(Talk<'a>),
    Over,
}

impl<'a> Check<'a> {
    /// A check of a chain of `expected` devices, or one that counts them if that is `None`.
    ///
    /// `buffer` takes the frames: as many bytes as [`buffer_bytes`](super::buffer_bytes) says for the greatest number of
    /// devices that there may be. It must not be less than there are, because devices beyond would be left with
    /// something else than filler. `pending` needs a place for each expected device, none to count.
    ///
    /// # Errors
    /// [`WiringError::Unsupported`] if devices are to be counted that tolerate no spare clocks; [`WiringError::Devices`] if
    /// unlike devices are expected in another number than there are layouts; [`WiringError::Frame`];
    /// [`WiringError::BufferLength`].
    pub fn new(
        codec: Codec,
        expected: Option<usize>,
        pending: &'a mut [Pending],
        buffer: &'a mut [u8],
    ) -> Result<Self, WiringError> {
        let (devices, layout) = (codec.devices(), codec.layout());
        let least = expected.unwrap_or(1);
        match expected {
            Some(expected) => devices.validate_count(expected).map_err(|flaw| match flaw {
                ChainFlaw::Frame(flaw) => WiringError::Frame(flaw),
                flaw => WiringError::Devices(flaw),
            })?,
            None => layout.validate_for(least).map_err(WiringError::Frame)?,
        }
        let (buffer, pending_needed) = match (devices.spare_clocks(), expected) {
            (SpareClocks::Refused, None) => return Err(WiringError::Unsupported),
            (SpareClocks::Refused, Some(expected)) => {
                let (found, needed) = (buffer.len(), layout.frame_bytes(expected));
                (buffer.get_mut(..needed).ok_or(WiringError::BufferLength { found, needed })?, expected)
            }
            (SpareClocks::Tolerated, _) => {
                let (found, needed) = (buffer.len(), super::buffer_bytes(layout, least));
                if found < needed {
                    return Err(WiringError::BufferLength { found, needed });
                }
                (buffer, expected.unwrap_or(0))
            }
        };
        let found = pending.len();
        let pending =
            pending.get_mut(..pending_needed).ok_or(WiringError::BufferLength { found, needed: pending_needed })?;
        Ok(Self {
            codec,
            expected,
            pending,
            buffer,
            stage: Stage::Idle(codec.resync_frames()),
            only_ones: true,
            only_zeros: true,
            only_echoes: true,
            rests: None,
            verdict: Err(WiringError::Unfinished),
        })
    }

    /// The next frame to exchange, in place, within one chip selection; `None` once the check is over.
    pub fn next_frame(&mut self) -> Option<&mut [u8]> {
        match &mut self.stage {
            Stage::Idle(_) => fill_with_filler(self.codec.devices(), self.buffer),
            Stage::Probe { number, .. } => {
                fill_with_filler(self.codec.devices(), self.buffer);
                for (place, byte) in self.buffer.iter_mut().zip(marker(*number).to_be_bytes()) {
                    *place = byte;
                }
            }
            Stage::Ask(talk) => return talk.next_frame(),
            Stage::Over => return None,
        }
        Some(self.buffer)
    }

    /// Looks at what the exchange left in the frame that [`next_frame`](Self::next_frame) gave out last.
    pub fn came_back(&mut self) {
        self.stage = match core::mem::replace(&mut self.stage, Stage::Over) {
            Stage::Idle(left) => {
                self.note(None);
                match left {
                    0 | 1 => self.after_idle(),
                    _ => Stage::Idle(left - 1),
                }
            }
            Stage::Probe { number, delay } => {
                self.note(None);
                self.after_probe(number, delay)
            }
            Stage::Ask(talk) => self.take_answer(talk),
            Stage::Over => Stage::Over,
        };
    }

    /// What was found, once there are no more frames.
    ///
    /// # Errors
    /// The [`WiringError`]; [`WiringError::Unfinished`] before.
    pub const fn verdict(&self) -> Result<Report, WiringError> {
        self.verdict
    }

    fn counts(&self) -> bool {
        self.codec.devices().spare_clocks() == SpareClocks::Tolerated
    }

    /// Notes what levels came, and whether it was nothing but the units sent: those of a question, or filler.
    fn note(&mut self, asked: Option<&Talk<'a>>) {
        let bytes = asked.map_or(&*self.buffer, Talk::frame);
        self.only_ones &= bytes.iter().all(|&byte| byte == 0xFF);
        self.only_zeros &= bytes.iter().all(|&byte| byte == 0);
        let devices = self.codec.devices();
        let mut fillers = Fillers::new();
        let unit_bits = devices.unit_bits();
        let mut offset = bytes.len() * 8;
        let mut device = 0;
        while let Some(next) = offset.checked_sub(usize::from(unit_bits)) {
            offset = next;
            let sent = asked.map_or_else(|| fillers.of(devices.layout(device)), |talk| talk.sent(device));
            self.only_echoes &= wire::get_bits(bytes, offset, unit_bits) == sent;
            device += 1;
        }
    }

    fn after_idle(&mut self) -> Stage<'a> {
        if self.counts() {
            return Stage::Probe { number: 0, delay: None };
        }
        // The number of devices is not to be found out: what remains is to ask those that are expected.
        self.asking(Report { devices: self.expected.unwrap_or(0), counted: false, replies_checked: false })
    }

    fn after_probe(&mut self, number: u16, delay: Option<usize>) -> Stage<'a> {
        // The last bits of the frame are filler that has gone nowhere, or what the line rests at.
        let last = wire::get_bits(self.buffer, (self.buffer.len() * 8).saturating_sub(32), 32);
        let level = if last == 0 { Some(false) } else { (last == 0xFFFF_FFFF).then_some(true) };
        self.rests = if number == 0 || self.rests == level { level } else { None };
        let found = (delay.unwrap_or(0)..self.delays()).find(|&bits| self.comes_back_after(number, bits));
        match found {
            Some(bits) if delay == Some(bits) => self.found(bits),
            Some(bits) if number + 1 < MOST_PROBES => Stage::Probe { number: number + 1, delay: Some(bits) },
            // A break is judged by two frames too.
            None if number == 0 => Stage::Probe { number: 1, delay: None },
            _ => {
                let error = match (self.only_ones, self.only_zeros) {
                    (true, _) => WiringError::StuckHigh,
                    (_, true) => WiringError::StuckLow,
                    _ => WiringError::NoMarker { rests: self.rests },
                };
                self.end(Err(error))
            }
        }
    }

    /// How many delays leave the whole marker within the frame.
    fn delays(&self) -> usize {
        (self.buffer.len() * 8 + 1).saturating_sub(usize::from(MARKER_BITS))
    }

    /// Whether all that came from bit `delay` on is what was sent from the first bit on.
    fn comes_back_after(&self, number: u16, delay: usize) -> bool {
        let total = self.buffer.len() * 8;
        let marker_bits = usize::from(MARKER_BITS);
        if wire::get_bits(self.buffer, delay, MARKER_BITS) != u64::from(marker(number)) {
            return false;
        }
        let devices = self.codec.devices();
        let unit_bits = usize::from(devices.unit_bits());
        let mut fillers = Fillers::new();
        // Behind the marker: what was sent there, a bit at a time, because a unit may be cut by the marker.
        (delay + marker_bits..total).all(|place| {
            let sent_at = place - delay;
            let from_end = (total - 1).saturating_sub(sent_at);
            let within = from_end.checked_rem(unit_bits).unwrap_or(0);
            let filler = fillers.of(devices.layout(from_end.checked_div(unit_bits).unwrap_or(0)));
            // A first unit that is not whole was not sent.
            let is_whole = from_end - within + unit_bits <= total;
            let sent = is_whole && filler.checked_shr(within as u32).unwrap_or(0) & 1 == 1;
            (wire::get_bits(self.buffer, place, 1) == 1) == sent
        })
    }

    fn found(&mut self, delay_bits: usize) -> Stage<'a> {
        let unit_bits = self.codec.devices().unit_bits();
        let devices = delay_bits.checked_div(usize::from(unit_bits)).unwrap_or(0);
        if delay_bits == 0 {
            return self.end(Err(WiringError::TiedTogether));
        }
        if !delay_bits.is_multiple_of(usize::from(unit_bits)) {
            return self.end(Err(WiringError::NotWholeUnits { delay_bits, unit_bits }));
        }
        match self.expected {
            Some(expected) if expected != devices => {
                self.end(Err(WiringError::WrongCount { expected, found: devices }))
            }
            _ => self.asking(Report { devices, counted: true, replies_checked: false }),
        }
    }

    /// Goes on to ask each device that there is a question for.
    fn asking(&mut self, report: Report) -> Stage<'a> {
        let expected = self.expected.unwrap_or(0);
        let devices = self.codec.devices();
        let asked = (0..expected).filter(|&device| devices.layout(device).form(Verb::PeekStatus).is_some()).count();
        if asked > 0 {
            let (pending, buffer) = (core::mem::take(&mut self.pending), core::mem::take(&mut self.buffer));
            let frame = buffer.get_mut(..self.codec.frame_bytes(expected)).unwrap_or_default();
            self.verdict = Ok(Report { replies_checked: asked == expected, ..report });
            return Stage::Ask(self.codec.same_for_all(Command::PeekStatus, pending, frame));
        }
        let outcome = self.judge_levels().map_or(Ok(report), Err);
        self.end(outcome)
    }

    fn take_answer(&mut self, mut talk: Talk<'a>) -> Stage<'a> {
        self.note(Some(&talk));
        talk.came_back();
        if !talk.is_over() {
            return Stage::Ask(talk);
        }
        let spoilt = (0..self.expected.unwrap_or(0))
            .find_map(|device| Some(WiringError::Reply { device, error: talk.reply(device)?.err()? }));
        if let Some(error) = self.judge_levels().or(spoilt) {
            self.verdict = Err(error);
        }
        Stage::Over
    }

    fn end(&mut self, outcome: Result<Report, WiringError>) -> Stage<'a> {
        self.verdict = outcome;
        Stage::Over
    }

    /// What the levels say where no marker does.
    fn judge_levels(&self) -> Option<WiringError> {
        match (self.counts(), self.only_ones, self.only_zeros, self.only_echoes) {
            (true, ..) => None,
            (_, true, _, _) => Some(WiringError::StuckHigh),
            (_, _, true, _) => Some(WiringError::StuckLow),
            (_, _, _, true) => Some(WiringError::TiedTogether),
            _ => None,
        }
    }
}

/// Whole units of filler up to the end of the frame, where each device's place is; beyond the last device, any.
fn fill_with_filler(devices: &Devices, frame: &mut [u8]) {
    let unit_bits = devices.unit_bits();
    let mut fillers = Fillers::new();
    frame.fill(0);
    let mut offset = frame.len() * 8;
    let mut device = 0;
    while let Some(next) = offset.checked_sub(usize::from(unit_bits)) {
        offset = next;
        wire::put_bits(frame, offset, unit_bits, fillers.of(devices.layout(device)));
        device += 1;
    }
}

const fn marker(number: u16) -> u32 {
    if number.is_multiple_of(2) { MARKER } else { !MARKER }
}
