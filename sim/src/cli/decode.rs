//! `decode`: a recording of the bus, told as frames, words or commands.

mod json;
mod show;
mod text;

use std::collections::VecDeque;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Once};

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use stepchain::map::{BitOrder, Layout, SpiMode};

use super::{Failure, Format, Output, Verdict};
use crate::bench::map_of;
use crate::capture::{
    self, Asked, Capture, Conversation, CsActive, Csv, Exchange, Facts, Frame, Item, Names, Note, Options, READER,
    Trouble, infer_devices, known_words, words,
};
use crate::decode::Dictionary;

use show::Show;

/// Decode a recording of the bus: VCD, FST or CSV.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Arguments {
    /// The recording.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    /// What to tell; commands if there is a map, else frames.
    #[arg(long, value_enum, value_name = "LEVEL")]
    level: Option<Level>,
    /// The devices' map: latched, fixed-word, or the path of a map file.
    #[arg(long, value_name = "MAP")]
    map: Option<String>,
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

const EXAMPLE: &str = "\
Example: what was two devices told, and what did they answer?
  stepchain decode tests/captures/two_latched.vcd --map latched

        latch, s   frame  chain  command
     0.000033500       0  0·     read profile acceleration -> 1000 steps/s²
┌    0.000134000       3  0·     move velocity 120 steps/s
└    0.000134000       3  ·1     stop, profile ramp, driven

The time is that of the latch, when a command takes effect. Commands of one latch
stand in a bracket; `chain` shows whose each is, device 0 (at the controller's
output) first. `!` begins what is wrong with the recording, `#` what the context says.

Signals are named in full, scopes joined by dots, one bit of a vector as bus[2];
cs, sck, mosi and miso are found by themselves. CSV has one of three header rows:
  time_s,cs,sck,mosi,miso    a row for each change
  cs,sck,mosi,miso           a row for each sample, with --sample-rate
  time_s,frame,mosi,miso     frames in hex, as the driver's recorder writes them

Exit: 0 all is well, 1 something is wrong with the recording or a word is not the
map's, 2 the recording cannot be used, or not beyond the place that is told.";

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Level {
    Frames,
    Words,
    Commands,
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
struct Ahead {
    capture: Capture,
    items: VecDeque<Result<Item, capture::Error>>,
}

impl Ahead {
    fn new(mut capture: Capture) -> Self {
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

    fn frames(&self) -> impl Iterator<Item = &Frame> {
        self.items.iter().filter_map(|item| match item {
            Ok(Item::Frame(frame)) => Some(frame),
            _ => None,
        })
    }

    fn next(&mut self) -> Option<Result<Item, capture::Error>> {
        self.items.pop_front().or_else(|| self.capture.next())
    }
}

/// The chain as it is taken to be.
struct Chain {
    layout: &'static Layout,
    dictionary: Arc<Dictionary>,
    devices: usize,
    order: BitOrder,
}

/// What was counted on the way.
#[derive(Default)]
struct Counts {
    frames: u64,
    exchanges: u64,
    troubles: u64,
    strange: u64,
}

pub(super) fn decode(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    quiet_reader();
    let layout = arguments.map.as_deref().map(|map| map_of(map, Path::new("")).map_err(Failure::input)).transpose()?;
    let level = arguments.level.unwrap_or(if layout.is_some() { Level::Commands } else { Level::Frames });
    if layout.is_none() && level != Level::Frames {
        let level = if level == Level::Words { "words" } else { "commands" };
        return Err(Failure::Input(format!("--level {level}: found no --map, expected the devices' map")));
    }
    let capture = capture::open(&arguments.capture, &arguments.options(layout)).map_err(Failure::input)?;
    let mut ahead = Ahead::new(capture);
    let chain = match layout.filter(|_| level != Level::Frames) {
        Some(layout) => Some(arguments.chain(layout, &ahead, output)?),
        None => None,
    };
    let facts = ahead.capture.facts().clone();
    tell_guess(&facts, output)?;
    let origin_ns = match arguments.time {
        Time::Relative => ahead.frames().next().map_or(0, |frame| frame.start_ns),
        Time::Absolute => 0,
    };
    let mut show: Box<dyn Show> = match output.format {
        Format::Json => Box::new(json::Json),
        Format::Text => Box::new(text::Text::new(level, chain.as_ref().map_or(0, |chain| chain.devices), origin_ns)),
    };
    show.begin(&arguments.capture.display().to_string(), &facts, chain.as_ref(), output)?;
    let mut counts = Counts::default();
    let ended = run(level, &mut ahead, chain.as_ref(), show.as_mut(), &mut counts, output)?;
    show.end(&counts, output)?;
    if let Some(error) = ended {
        // What could be told stands before the complaint, whoever reads both.
        output.out.flush()?;
        return Err(Failure::input(error));
    }
    Ok(if counts.troubles + counts.strange == 0 { Verdict::NothingWrong } else { Verdict::Found })
}

/// Tells item by item; gives the error that ended the capture, if one did.
fn run(
    level: Level,
    ahead: &mut Ahead,
    chain: Option<&Chain>,
    show: &mut dyn Show,
    counts: &mut Counts,
    output: &mut Output<'_>,
) -> Result<Option<capture::Error>, Failure> {
    let bar = progress(&ahead.capture);
    let progress = ahead.capture.progress();
    let mut conversation =
        chain.map(|chain| Conversation::new(Arc::clone(&chain.dictionary), chain.devices, chain.order));
    let mut ended = None;
    while let Some(item) = ahead.next() {
        let frame = match item {
            Ok(Item::Frame(frame)) => frame,
            Ok(Item::Trouble(trouble)) => {
                tell(&trouble, show, counts, output)?;
                continue;
            }
            Err(error) => {
                ended = Some(error);
                break;
            }
        };
        counts.frames += 1;
        if counts.frames.is_multiple_of(1024)
            && let Some(bar) = &bar
        {
            bar.set_position(progress.bytes());
            bar.set_message(format!("{} s", capture::Seconds(frame.end_ns)));
        }
        match (level, chain, &mut conversation) {
            (Level::Words, Some(chain), _) => {
                let (words, trouble) = words(&frame, &chain.layout.wire, chain.devices);
                if let Some(kind) = trouble {
                    let trouble = Trouble { time_ns: frame.start_ns, frame: Some(frame.number), kind };
                    tell(&trouble, show, counts, output)?;
                }
                show.words(&frame, &words, output)?;
            }
            (Level::Commands, _, Some(conversation)) => {
                if let Some(trouble) = conversation.take(&frame) {
                    tell(&trouble, show, counts, output)?;
                }
                exchanges(conversation, show, counts, output)?;
            }
            _ => show.frame(&frame, output)?,
        }
    }
    if let Some(conversation) = &mut conversation {
        conversation.end();
        exchanges(conversation, show, counts, output)?;
    }
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    Ok(ended)
}

fn tell(trouble: &Trouble, show: &mut dyn Show, counts: &mut Counts, output: &mut Output<'_>) -> Result<(), Failure> {
    counts.troubles += 1;
    show.trouble(trouble, output)
}

fn exchanges(
    conversation: &mut Conversation,
    show: &mut dyn Show,
    counts: &mut Counts,
    output: &mut Output<'_>,
) -> Result<(), Failure> {
    while let Some(exchange) = conversation.pop() {
        counts.exchanges += 1;
        counts.strange += u64::from(is_strange(&exchange));
        show.exchange(&exchange, output)?;
    }
    Ok(())
}

/// Whether an exchange is not as the map has it.
fn is_strange(exchange: &Exchange) -> bool {
    matches!(exchange.asked, Asked::Unknown | Asked::CrcMismatch | Asked::BrokenOff)
        || exchange.notes.iter().any(|note| matches!(note, Note::ReplyMalformed | Note::ReplyCheck))
}

fn tell_guess(facts: &Facts, output: &mut Output<'_>) -> Result<(), Failure> {
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

fn progress(capture: &Capture) -> Option<ProgressBar> {
    let is_watched = std::io::stderr().is_terminal() && !std::io::stdout().is_terminal() && capture.length() >= LONG;
    if !is_watched {
        return None;
    }
    let bar = ProgressBar::new(capture.length());
    // The blocks of an FST file are not read in order: only the time tells how far it is.
    let template = if capture.facts().format == "FST" { "{spinner} {msg}" } else { "{wide_bar} {percent} %  {msg}" };
    bar.set_style(ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar()));
    Some(bar)
}

/// A broken FST file may break its reader on a thread of its own, which is reported like any broken file.
fn quiet_reader() {
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

impl Arguments {
    fn options(&self, layout: Option<&Layout>) -> Options {
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
    fn chain(&self, layout: &'static Layout, ahead: &Ahead, output: &mut Output<'_>) -> Result<Chain, Failure> {
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
