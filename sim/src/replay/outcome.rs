//! What a replay has found, and the call that makes a regression test of a recording.

use std::fmt;
use std::path::Path;

use stepchain::map::Layout;

use super::{Counts, Error, Meaning, Options, Replay};
use crate::capture::{self, Frame, Item, Line, Seconds, Trouble, infer_devices};

/// Where the captured chain has answered otherwise than it should have.
#[derive(Clone, Debug, PartialEq)]
pub struct Divergence {
    /// When the frame began in which it shows first, in nanoseconds of the recording.
    pub time_ns: i64,
    /// That frame.
    pub frame: u64,
    /// The device, 0 for the one at the controller's output.
    pub device: usize,
    /// What was asked.
    pub question: String,
    /// What should have been answered.
    pub expected: String,
    /// What was.
    pub captured: String,
    /// The units of both, first one first.
    pub units: (Vec<u64>, Vec<u64>),
    /// What is most likely behind it.
    pub meaning: Meaning,
}

impl fmt::Display for Divergence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { time_ns, frame, device, question, expected, captured, meaning, .. } = self;
        write!(f, "at {} s, frame {frame}, device {device}, {question}: ", Seconds(*time_ns))?;
        write!(f, "expected {expected}; captured {captured}; {meaning}")
    }
}

/// What a replay has found.
#[derive(Debug)]
pub struct Outcome {
    /// The recording.
    pub file: String,
    /// Devices in the chain.
    pub devices: usize,
    /// What was counted.
    pub counts: Counts,
    /// Where the captured chain differs.
    pub divergences: Vec<Divergence>,
    /// What is wrong with the recording itself.
    pub troubles: Vec<Trouble>,
    /// What ended the recording before its end, if anything did.
    pub ended: Option<capture::Error>,
}

impl Outcome {
    /// Whether everything that could be compared was as it should be, and the recording whole.
    #[must_use]
    pub const fn agrees(&self) -> bool {
        self.divergences.is_empty() && self.troubles.is_empty() && self.ended.is_none() && self.counts.answers > 0
    }

    /// # Panics
    /// With a list that can be read, unless all that was captured [agrees](Self::agrees); a recording without a single
    /// answer does not.
    #[track_caller]
    pub fn assert_agrees(&self) {
        assert!(self.agrees(), "{self}");
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Counts { frames, answers, taken_over, .. } = &self.counts;
        let plural = |count: usize| if count == 1 { "" } else { "s" };
        let (found, devices) = (self.divergences.len(), self.devices);
        write!(f, "{}: {found} divergence{} in {answers} answers of {devices}", self.file, plural(found))?;
        writeln!(f, " device{} in {frames} frames", plural(devices))?;
        self.divergences.iter().try_for_each(|divergence| writeln!(f, "  {divergence}"))?;
        self.troubles.iter().try_for_each(|trouble| writeln!(f, "  {trouble}"))?;
        if let Some(error) = &self.ended {
            writeln!(f, "  {error}")?;
        }
        if !taken_over.is_empty() {
            let told: Vec<_> = taken_over.iter().map(|(name, count)| format!("{name} {count}×")).collect();
            writeln!(f, "  taken over as captured: {}", told.join(", "))?;
        }
        Ok(())
    }
}

/// Frames that are looked at in advance, to count the devices.
const LOOKED_AT: usize = 256;

/// Compares a whole recording with what a chain of this map would have answered.
///
/// ```
/// use embedded_hal::spi::SpiDevice;
/// use stepchain::{map::RegisterMap, reference::Latched, Recorder};
/// use stepchain_sim::{chain::VirtualChain, replay};
///
/// // What the firmware's tests send; here three words to one device.
/// let mut spi = Recorder::<_, 16, 16>::new(VirtualChain::new(&Latched::LAYOUT, 1)?.spi());
/// for unit in [[0x50, 0x11], [0x7E, 0x7E], [0xE0, 0x00], [0x7E, 0x7E]] {
///     spi.transfer_in_place(&mut { unit }).unwrap();
/// }
/// let mut text = String::new();
/// spi.dump(&mut text).unwrap();
/// let file = std::env::temp_dir().join("stepchain-replay-example.csv");
/// std::fs::write(&file, text)?;
///
/// let options = replay::Options { from_power_up: true, ..replay::Options::default() };
/// replay::check(&file, &Latched::LAYOUT, &options)?.assert_agrees();
/// # std::fs::remove_file(&file)?;
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`Error`] if the recording cannot be used at all. What ends it on the way is in [`Outcome::ended`].
pub fn check(path: &Path, layout: &'static Layout, options: &Options) -> Result<Outcome, Error> {
    let file = path.display().to_string();
    let mut reading = options.capture.clone();
    if reading.mode.is_none() && !reading.guess {
        reading.mode = Some(layout.wire.mode);
    }
    let mut capture = capture::open(path, &reading)?;
    let (mut first, mut troubles, mut ended): (Vec<Frame>, _, _) = (Vec::new(), Vec::new(), None);
    let mut next = |troubles: &mut Vec<Trouble>, ended: &mut Option<capture::Error>| loop {
        match capture.next()? {
            Ok(Item::Frame(frame)) => return Some(frame),
            Ok(Item::Trouble(trouble)) => troubles.push(trouble),
            Err(error) => *ended = Some(error),
        }
    };
    while first.len() < LOOKED_AT {
        let Some(frame) = next(&mut troubles, &mut ended) else { break };
        first.push(frame);
    }
    has_both_lines(&file, &first)?;
    let devices = options.devices.or_else(|| infer_devices(&first, &layout.wire).map(|evidence| evidence.devices));
    let mut replay = Replay::new(layout, devices.unwrap_or(1), options)?;
    let mut divergences = Vec::new();
    let mut first = first.into_iter();
    while let Some(frame) = first.next().or_else(|| next(&mut troubles, &mut ended)) {
        replay.take(frame);
        divergences.extend(std::iter::from_fn(|| replay.pop()));
    }
    replay.end();
    divergences.extend(std::iter::from_fn(|| replay.pop()));
    let counts = replay.counts().clone();
    Ok(Outcome { file, devices: replay.devices, counts, divergences, troubles, ended })
}

/// Whether some frame has bits of both data lines.
///
/// # Errors
/// [`Error::Line`] if there are frames, and none has.
pub(crate) fn has_both_lines(file: &str, frames: &[Frame]) -> Result<(), Error> {
    if frames.is_empty() || frames.iter().any(|frame| frame.mosi.is_some() && frame.miso.is_some()) {
        return Ok(());
    }
    let line = if frames.iter().any(|frame| frame.mosi.is_some()) { Line::Miso } else { Line::Mosi };
    Err(Error::Line { file: file.to_owned(), line })
}
