//! How a recording is read: the options that every verb about one takes, its beginning, its chain, its progress.

use std::collections::VecDeque;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::{Arc, Once};

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use stepchain::map::{BitOrder, Layout, SpiMode};

use crate::capture::{
    self, Capture, CsActive, Csv, Facts, Frame, Item, Names, Options, Progress, READER, infer_devices, known_words,
};
use crate::cli::{Failure, Output};
use crate::decode::Dictionary;

/// Which recording, and how it is read.
#[derive(Debug, Args)]
pub(in crate::cli) struct Reading {
    /// The recording.
    #[arg(value_name = "CAPTURE")]
    pub(in crate::cli) capture: PathBuf,
    /// The devices' map: latched, fixed-word, or the path of a map file.
    #[arg(long, value_name = "MAP")]
    pub(in crate::cli) map: Option<String>,
    /// Devices in the chain; as most frames have room for if not given.
    #[arg(long, value_name = "N", requires = "map", value_parser = clap::value_parser!(u16).range(1..))]
    devices: Option<u16>,
    /// The signal that is chip select; without one, frames end where the clock rests.
    #[arg(long, value_name = "PATH")]
    cs: Option<String>,
    /// The signal that is the clock.
    #[arg(long, value_name = "PATH")]
    sck: Option<String>,
    /// The signal that is the controller's data output.
    #[arg(long, value_name = "PATH")]
    mosi: Option<String>,
    /// The signal that is the controller's data input.
    #[arg(long, value_name = "PATH")]
    miso: Option<String>,
    /// The SPI mode; the map's if not given, else what the file states that `run` or `serve` has written, else 0.
    #[arg(long, value_name = "0..3", value_parser = clap::value_parser!(u8).range(0..=3))]
    mode: Option<u8>,
    /// Which bit of a unit is first on the wire; as the map says if not given.
    #[arg(long, value_enum, value_name = "ORDER", requires = "map")]
    bit_order: Option<Order>,
    /// The level of chip select that selects.
    #[arg(long, value_enum, value_name = "LEVEL", default_value_t = Active::Low)]
    cs_active: Active,
    /// Guess mode and bit order, and say why.
    #[arg(long)]
    guess: bool,
    /// Data that change together with the clock edge that reads them count with their new level.
    #[arg(long)]
    sample_late: bool,
    /// The rest of the clock that ends a frame where there is no chip select; 8 clocks if not given.
    #[arg(long, value_name = "SECONDS", value_parser = duration_ns)]
    idle_gap: Option<i64>,
    /// The shortest pulse of clock and chip select that counts; a quarter of a usual one if not given, 0 counts all.
    #[arg(long, value_name = "SECONDS", value_parser = duration_ns)]
    min_pulse: Option<i64>,
    /// Times as in the recording, or from the first frame on.
    #[arg(long, value_enum, value_name = "TIME", default_value_t = Time::Absolute)]
    time: Time,
    /// CSV: what stands between columns; a sign, or `tab`.
    #[arg(long, value_name = "SIGN", default_value = ",", value_parser = separator)]
    separator: u8,
    /// CSV: the column that holds seconds.
    #[arg(long, value_name = "NAME")]
    time_column: Option<String>,
    /// CSV: added to every time.
    #[arg(long, value_name = "SECONDS", default_value_t = 0.0, allow_negative_numbers = true, value_parser = finite)]
    time_offset: f64,
    /// CSV without a column of time: rows in a second.
    #[arg(long, value_name = "HZ", value_parser = rate)]
    sample_rate: Option<f64>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Order {
    Msb,
    Lsb,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Active {
    Low,
    High,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Time {
    Absolute,
    Relative,
}

fn finite(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|number: &f64| number.is_finite()).ok_or_else(|| "expected a number".to_owned())
}

fn rate(text: &str) -> Result<f64, String> {
    finite(text).ok().filter(|rate| *rate > 0.0).ok_or_else(|| "expected a rate above zero".to_owned())
}

fn duration_ns(text: &str) -> Result<i64, String> {
    let seconds = finite(text).ok().filter(|time| (0.0..=1e6).contains(time));
    seconds.map(|time| (time * 1e9).round() as i64).ok_or_else(|| "expected seconds, from 0 to 1e6".to_owned())
}

fn separator(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        b"tab" | b"\\t" => Ok(b'\t'),
        &[sign] if sign.is_ascii() && !sign.is_ascii_alphanumeric() && sign != b'"' => Ok(sign),
        _ => Err("expected one sign, or `tab`".to_owned()),
    }
}

/// Frames that are looked at in advance, to count the devices.
const AHEAD: usize = 256;
/// Bits in them at most.
const AHEAD_BITS: usize = 1 << 20;
/// A file from which on its progress is shown.
const LONG: u64 = 16 << 20;

/// A capture whose beginning has been looked at.
pub(in crate::cli) struct Ahead {
    pub(in crate::cli) capture: Capture,
    items: VecDeque<Result<Item, capture::Error>>,
}

impl Ahead {
    pub(in crate::cli) fn new(mut capture: Capture) -> Self {
        let (mut items, mut frames, mut bits) = (VecDeque::new(), 0, 0);
        while frames < AHEAD && bits < AHEAD_BITS && items.len() < 2 * AHEAD {
            let Some(item) = capture.next() else { break };
            if let Ok(Item::Frame(frame)) = &item {
                frames += 1;
                bits += frame.bits();
            }
            items.push_back(item);
        }
        Self { capture, items }
    }

    pub(in crate::cli) fn frames(&self) -> impl Iterator<Item = &Frame> {
        self.items.iter().filter_map(|item| match item {
            Ok(Item::Frame(frame)) => Some(frame),
            _ => None,
        })
    }

    pub(in crate::cli) fn bar(&self) -> Bar {
        Bar::of(&self.capture)
    }

    pub(in crate::cli) fn next(&mut self) -> Option<Result<Item, capture::Error>> {
        self.items.pop_front().or_else(|| self.capture.next())
    }
}

/// The chain as it is taken to be.
pub(in crate::cli) struct Chain {
    pub(in crate::cli) layout: &'static Layout,
    pub(in crate::cli) dictionary: Arc<Dictionary>,
    pub(in crate::cli) devices: usize,
    pub(in crate::cli) order: BitOrder,
}

pub(in crate::cli) fn tell_guess(facts: &Facts, output: &mut Output<'_>) -> Result<(), Failure> {
    if let Some(guess) = facts.guess {
        let mode = guess.mode as u8;
        let (low, high, rising, falling) = (guess.rests_low, guess.rests_high, guess.after_rising, guess.after_falling);
        writeln!(
            output.err,
            "guessed: mode {mode}; the clock rests low {low} times, high {high} times; data change after a rising edge \
             {rising} times, after a falling one {falling} times"
        )?;
    }
    Ok(())
}

/// How far a long recording has been read, on a terminal and nowhere else.
pub(in crate::cli) struct Bar {
    bar: Option<ProgressBar>,
    progress: Progress,
    frames: u64,
}

impl Bar {
    fn of(capture: &Capture) -> Self {
        let is_watched =
            std::io::stderr().is_terminal() && !std::io::stdout().is_terminal() && capture.length() >= LONG;
        let bar = is_watched.then(|| {
            let bar = ProgressBar::new(capture.length());
            // The blocks of an FST file are not read in order: only the time tells how far it is.
            let is_fst = capture.facts().format == "FST";
            let template = if is_fst { "{spinner} {msg}" } else { "{wide_bar} {percent} %  {msg}" };
            bar.set_style(ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar
        });
        Self { bar, progress: capture.progress(), frames: 0 }
    }

    /// A frame more has been read.
    pub(in crate::cli) fn tell(&mut self, frame: &Frame) {
        self.frames += 1;
        if let Some(bar) = self.bar.as_ref().filter(|_| self.frames.is_multiple_of(1024)) {
            bar.set_position(self.progress.bytes());
            bar.set_message(format!("{} s", capture::Seconds(frame.end_ns)));
        }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// A broken FST file may break its reader on a thread of its own, which is reported like any broken file.
pub(in crate::cli) fn quiet_reader() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let usual = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |panic| {
            if std::thread::current().name() != Some(READER) {
                usual(panic);
            }
        }));
    });
}

impl Reading {
    /// Whether times are told from the first frame on.
    pub(in crate::cli) fn is_relative(&self) -> bool {
        self.time == Time::Relative
    }

    pub(in crate::cli) fn options(&self, layout: Option<&Layout>) -> Options {
        let given = self.mode.map(|mode| match mode {
            0 => SpiMode::Mode0,
            1 => SpiMode::Mode1,
            2 => SpiMode::Mode2,
            _ => SpiMode::Mode3,
        });
        let of_map = layout.filter(|_| !self.guess).map(|layout| layout.wire.mode);
        Options {
            names: Names {
                cs: self.cs.clone(),
                sck: self.sck.clone(),
                mosi: self.mosi.clone(),
                miso: self.miso.clone(),
            },
            mode: given.or(of_map),
            guess: self.guess,
            cs_active: match self.cs_active {
                Active::Low => CsActive::Low,
                Active::High => CsActive::High,
            },
            sample_late: self.sample_late,
            idle_gap_ns: self.idle_gap,
            min_pulse_ns: self.min_pulse,
            csv: Csv {
                separator: self.separator,
                time_column: self.time_column.clone(),
                time_offset_s: self.time_offset,
                sample_rate_hz: self.sample_rate,
            },
        }
    }

    /// The chain: as given, or as the first frames show it.
    pub(in crate::cli) fn chain(
        &self,
        layout: &'static Layout,
        ahead: &Ahead,
        output: &mut Output<'_>,
    ) -> Result<Chain, Failure> {
        let devices = match self.devices {
            Some(devices) => devices.into(),
            None => match infer_devices(ahead.frames(), &layout.wire) {
                Some(evidence) => {
                    writeln!(
                        output.err,
                        "inferred: {} device{}, from the length of {} of the first {} frames",
                        evidence.devices,
                        if evidence.devices == 1 { "" } else { "s" },
                        evidence.agreeing,
                        evidence.frames
                    )?;
                    evidence.devices
                }
                None => 1,
            },
        };
        let dictionary = Arc::new(Dictionary::new(layout));
        let given = self.bit_order.map(|order| match order {
            Order::Msb => BitOrder::MsbFirst,
            Order::Lsb => BitOrder::LsbFirst,
        });
        let order = match given {
            None if self.guess => {
                let known = |order| known_words(ahead.frames(), &dictionary, devices, order);
                let ((msb, all_msb), (lsb, all_lsb)) = (known(BitOrder::MsbFirst), known(BitOrder::LsbFirst));
                // Words of several units make the two totals differ, so it is the shares that are compared.
                let is_lsb = lsb * all_msb > msb * all_lsb;
                let name = if is_lsb { "lsb" } else { "msb" };
                writeln!(
                    output.err,
                    "guessed: {name} first; the map knows {msb} of {all_msb} words msb first, {lsb} of {all_lsb} lsb first"
                )?;
                if is_lsb { BitOrder::LsbFirst } else { BitOrder::MsbFirst }
            }
            given => given.unwrap_or(layout.wire.bit_order),
        };
        Ok(Chain { layout, dictionary, devices, order })
    }
}
