//! `decode`: a recording of the bus, told as frames, words or commands.

mod json;
mod reading;
mod show;
mod text;

use std::path::Path;
use std::sync::Arc;

use clap::{Args, ValueEnum};

use super::{Failure, Format, Output, Verdict};
use crate::bench::map_of;
use crate::capture::{self, Asked, Conversation, Exchange, Item, Note, Trouble, words};

pub(super) use reading::{Ahead, Chain, Reading, quiet_reader, tell_guess};
use show::Show;
pub(super) use text::told_of;

/// Decode a recording of the bus: VCD, FST or CSV.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Arguments {
    #[command(flatten)]
    reading: Reading,
    /// What to tell; commands if there is a map, else frames.
    #[arg(long, value_enum, value_name = "LEVEL")]
    level: Option<Level>,
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
    let layout =
        arguments.reading.map.as_deref().map(|map| map_of(map, Path::new("")).map_err(Failure::input)).transpose()?;
    let level = arguments.level.unwrap_or(if layout.is_some() { Level::Commands } else { Level::Frames });
    if layout.is_none() && level != Level::Frames {
        let level = if level == Level::Words { "words" } else { "commands" };
        return Err(Failure::Input(format!("--level {level}: found no --map, expected the devices' map")));
    }
    let capture =
        capture::open(&arguments.reading.capture, &arguments.reading.options(layout)).map_err(Failure::input)?;
    let mut ahead = Ahead::new(capture);
    let chain = match layout.filter(|_| level != Level::Frames) {
        Some(layout) => Some(arguments.reading.chain(layout, &ahead, output)?),
        None => None,
    };
    let facts = ahead.capture.facts().clone();
    tell_guess(&facts, output)?;
    let origin_ns = match arguments.reading.is_relative() {
        true => ahead.frames().next().map_or(0, |frame| frame.start_ns),
        false => 0,
    };
    let mut show: Box<dyn Show> = match output.format {
        Format::Json => Box::new(json::Json),
        Format::Text => Box::new(text::Text::new(level, chain.as_ref().map_or(0, |chain| chain.devices), origin_ns)),
    };
    show.begin(&arguments.reading.capture.display().to_string(), &facts, chain.as_ref(), output)?;
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
    let mut bar = ahead.bar();
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
        bar.tell(&frame);
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
