//! `replay`: a recording of the bus, compared with what a virtual chain answers to the same bits.

mod story;

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;
use stepchain::map::{BitOrder, Layout};

use super::decode::{Ahead, Chain, Reading, quiet_reader, tell_guess};
use super::run::check_free;
use super::{Failure, Format, Output, Verdict};
use crate::bench::map_of;
use crate::capture::{self, Frame, Item, Seconds, known_words};
use crate::device::{MotorSetup, Switch};
use crate::replay::{Divergence, Options, Replay, has_both_lines};

use story::Story;

/// Compare a recording of the bus with what a virtual chain answers.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Arguments {
    #[command(flatten)]
    reading: Reading,
    /// The recording begins with devices that have just been powered up: what they hold is known from the start.
    #[arg(long)]
    from_power_up: bool,
    /// A flag or a register, by its name, that is not compared; more than one by repeating it.
    #[arg(long, value_name = "NAME")]
    ignore: Vec<String>,
    /// Conditions from outside (stall, supply, heat, current, fault, home switch) are divergences, too.
    #[arg(long)]
    strict: bool,
    /// A home switch: device.axis=from:to, closed between two places in full steps from where the recording began.
    #[arg(long, value_name = "D.A=FROM:TO", value_parser = switch, allow_hyphen_values = true)]
    switch: Vec<(usize, usize, Switch)>,
    /// A motor to draw the currents of: device.axis=motor file; more than one by repeating it.
    #[arg(long, value_name = "D.A=MOTOR", value_parser = motor)]
    motor: Vec<(usize, usize, PathBuf)>,
    /// By how much the instants of the recording may be off.
    #[arg(long, value_name = "SECONDS", default_value_t = 1e-6, value_parser = tolerance)]
    time_tolerance: f64,
    /// Write report.html and report.svg to a new directory.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write to a directory that exists.
    #[arg(long, requires = "out")]
    force: bool,
    /// By how many percent the devices' own clocks may be off.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0, value_parser = percent)]
    clock_tolerance: f64,
}

/// Divergences from which on it is asked whether the recording was read as it should be, if many answers have one.
const MANY: u64 = 4;

const EXAMPLE: &str = "\
Example: did two devices do what they were told?
  stepchain replay tests/captures/two_latched.vcd --map latched

The virtual chain hears the captured bits at the captured instants. Where an answer
is not as it would have answered, a line tells when, which device, what was asked,
expected and captured, and what is most likely behind it; the virtual chain goes on
as that says, so that one cause is told once.

Not compared, but taken over: measured values, conditions from outside (unless
--strict), what was before the recording (unless --from-power-up), motion until an
axis was seen to stand with all its ramp registers known, and what --ignore names.

With --motor the page of --out has the current of a motor, too. It is the virtual one's:
of the motor file, its load and supply, without end stops, and of registers as far as
they are known. Its device sees that current, and may trip where the captured did not.

Exit: 0 all that could be compared agrees, 1 there is a divergence or something is
wrong with the recording, 2 it cannot be used, or not beyond the place that is told.";

fn tolerance(text: &str) -> Result<f64, String> {
    let seconds = text.parse::<f64>().ok().filter(|seconds| (0.0..=1.0).contains(seconds));
    seconds.ok_or_else(|| "expected seconds, from 0 to 1".to_owned())
}

fn percent(text: &str) -> Result<f64, String> {
    let percent = text.parse::<f64>().ok().filter(|percent| (0.0..=50.0).contains(percent));
    percent.ok_or_else(|| "expected a percentage, from 0 to 50".to_owned())
}

fn switch(text: &str) -> Result<(usize, usize, Switch), String> {
    let read = || {
        let (who, place) = text.split_once('=')?;
        let (device, axis) = who.split_once('.')?;
        let (from, to) = place.split_once(':')?;
        let (from_steps, to_steps) = (from.parse::<f64>().ok()?, to.parse::<f64>().ok()?);
        let is_range = from_steps <= to_steps && from_steps.is_finite() && to_steps.is_finite();
        let switch = Switch::ClosedBetween { from_steps, to_steps };
        is_range.then_some((device.parse().ok()?, axis.parse().ok()?, switch))
    };
    read().ok_or_else(|| "expected device.axis=from:to, the lesser place first, as 0.0=-3:0".to_owned())
}

fn motor(text: &str) -> Result<(usize, usize, PathBuf), String> {
    let read = || {
        let (who, file) = text.split_once('=')?;
        let (device, axis) = who.split_once('.')?;
        (!file.is_empty()).then_some((device.parse().ok()?, axis.parse().ok()?, PathBuf::from(file)))
    };
    read().ok_or_else(|| "expected device.axis=motor file, as 0.0=motor.toml".to_owned())
}

/// The motors, as their files say.
fn motors(wanted: &[(usize, usize, PathBuf)]) -> Result<Vec<(usize, usize, MotorSetup)>, Failure> {
    let setup = |(device, axis, path): &(usize, usize, PathBuf)| {
        let file = crate::motor::load(path).map_err(Failure::input)?;
        Ok((*device, *axis, MotorSetup::from(&file)))
    };
    wanted.iter().map(setup).collect()
}

/// A divergence as JSON Lines have it.
#[derive(Serialize)]
struct Line<'a> {
    time_ns: i64,
    device: usize,
    expected: &'a str,
    captured: &'a str,
    meaning: String,
    kind: &'static str,
    frame: u64,
    question: &'a str,
    expected_units: Vec<String>,
    captured_units: Vec<String>,
}

pub(super) fn replay(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    quiet_reader();
    let reading = &arguments.reading;
    let map = reading.map.as_deref();
    let map = map.ok_or_else(|| Failure::Input("found no --map, expected the devices' map".to_owned()))?;
    let layout = map_of(map, Path::new("")).map_err(Failure::input)?;
    let motors = motors(&arguments.motor)?;
    if let Some(out) = &arguments.out {
        check_free(out, arguments.force)?;
    }
    let capture = capture::open(&reading.capture, &reading.options(Some(layout))).map_err(Failure::input)?;
    let file = reading.capture.display().to_string();
    let mut ahead = Ahead::new(capture);
    let chain = reading.chain(layout, &ahead, output)?;
    let mut story = arguments.out.as_ref().map(|_| Story::new(&chain));
    let Chain { devices, order, ref dictionary, .. } = chain;
    let (known, words) = known_words(ahead.frames(), dictionary, devices, order);
    tell_guess(ahead.capture.facts(), output)?;
    let first: Vec<_> = ahead.frames().cloned().collect();
    has_both_lines(&file, &first).map_err(Failure::input)?;
    let origin_ns = if reading.is_relative() { first.first().map_or(0, |frame| frame.start_ns) } else { 0 };
    let options = Options {
        devices: Some(devices),
        from_power_up: arguments.from_power_up,
        ignore: arguments.ignore.clone(),
        strict: arguments.strict,
        switches: arguments.switch.clone(),
        motors,
        time_tolerance_ns: Some((arguments.time_tolerance * 1e9).round() as u64),
        clock_tolerance: arguments.clock_tolerance / 100.0,
        ..Options::default()
    };
    let mut replay = Replay::new(in_order(layout, order), devices, &options).map_err(Failure::input)?;
    let mut show = Show { origin_ns, troubles: 0, has_head: false };
    if output.format == Format::Text {
        let plural = if devices == 1 { "" } else { "s" };
        writeln!(output.out, "{file}: {}, {devices} device{plural} `{}`", ahead.capture.facts().format, layout.name)?;
    }
    let mut bar = ahead.bar();
    let mut ended = None;
    while let Some(item) = ahead.next() {
        match item {
            Ok(Item::Frame(frame)) => {
                bar.tell(&frame);
                if let Some(story) = &mut story {
                    story.frame(&frame);
                }
                replay.take(frame);
                tell(&mut replay, &mut show, &mut story, output)?;
            }
            Ok(Item::Trouble(trouble)) => {
                show.troubles += 1;
                writeln!(output.err, "stepchain: {trouble}")?;
            }
            Err(error) => {
                ended = Some(error);
                break;
            }
        }
    }
    replay.end();
    tell(&mut replay, &mut show, &mut story, output)?;
    drop(bar);
    show.end(&replay, output)?;
    if let (Some(out), Some(story)) = (&arguments.out, story) {
        story.write(out, &file, ahead.capture.facts(), &replay)?;
        writeln!(output.err, "wrote {}", out.join("report.html").display())?;
    }
    if let Some(error) = ended {
        // What could be told stands before the complaint, whoever reads both.
        output.out.flush()?;
        return Err(Failure::input(error));
    }
    // What was found stands before what there is to say about it, whoever reads both.
    output.out.flush()?;
    let counts = replay.counts();
    if counts.answers == 0 {
        let unit = layout.wire.unit_bits;
        let found =
            first.iter().map(Frame::bits).max().map_or(String::new(), |bits| format!(" in frames of {bits} bits"));
        let plural = if devices == 1 { "" } else { "s" };
        return Err(Failure::Input(format!(
            "{file}: found no whole answer to compare{found}, expected {devices} unit{plural} of {unit} bits in a frame"
        )));
    }
    let is_doubtful = known * 10 < words * 9 || counts.divergences >= MANY && counts.divergences * 8 >= counts.answers;
    if counts.divergences > 0 && is_doubtful {
        writeln!(
            output.err,
            "stepchain: the map knows {known} of the first {words} words that were sent, and there are {} divergences in {} \
             answers: is it the right map? Other reasons are another SPI mode (--guess), bit order or number of devices",
            counts.divergences, counts.answers
        )?;
    }
    Ok(if counts.divergences + show.troubles == 0 { Verdict::NothingWrong } else { Verdict::Found })
}

/// Tells the divergences that are ready.
fn tell(
    replay: &mut Replay,
    show: &mut Show,
    story: &mut Option<Story>,
    output: &mut Output<'_>,
) -> Result<(), Failure> {
    while let Some(divergence) = replay.pop() {
        show.divergence(&divergence, output)?;
        if let Some(story) = story {
            story.divergence(&divergence);
        }
    }
    Ok(())
}

/// The map with its units read in this order, which may not be its own.
fn in_order(layout: &'static Layout, order: BitOrder) -> &'static Layout {
    if layout.wire.bit_order == order {
        return layout;
    }
    let mut other = *layout;
    other.wire.bit_order = order;
    Box::leak(Box::new(other))
}

/// How divergences are told.
struct Show {
    origin_ns: i64,
    troubles: u64,
    has_head: bool,
}

impl Show {
    fn divergence(&mut self, divergence: &Divergence, output: &mut Output<'_>) -> Result<(), Failure> {
        let Divergence { time_ns, frame, device, question, expected, captured, units, meaning } = divergence;
        match output.format {
            Format::Json => {
                let hex = |units: &[u64]| units.iter().map(|unit| format!("{unit:#x}")).collect();
                output.object(&Line {
                    time_ns: *time_ns,
                    device: *device,
                    expected,
                    captured,
                    meaning: meaning.to_string(),
                    kind: meaning.name(),
                    frame: *frame,
                    question,
                    expected_units: hex(&units.0),
                    captured_units: hex(&units.1),
                })
            }
            Format::Text => {
                if !std::mem::replace(&mut self.has_head, true) {
                    writeln!(output.out, "\n          time, s   frame  device  what was asked")?;
                }
                let time = Seconds(time_ns - self.origin_ns);
                writeln!(output.out, "! {time:>17} {frame:>7} {device:>7}  {question}")?;
                writeln!(output.out, "{:>37}expected {expected}", "")?;
                writeln!(output.out, "{:>37}captured {captured}", "")?;
                Ok(writeln!(output.out, "{:>37}{meaning}", "")?)
            }
        }
    }

    fn end(&self, replay: &Replay, output: &mut Output<'_>) -> Result<(), Failure> {
        if output.format == Format::Json {
            return Ok(());
        }
        let counts = replay.counts();
        let plural = |count: u64, what: &str| format!("{count} {what}{}", if count == 1 { "" } else { "s" });
        let found = match counts.divergences {
            0 => "no divergence".to_owned(),
            count => plural(count, "divergence"),
        };
        let (answers, frames) = (plural(counts.answers, "answer"), plural(counts.frames, "frame"));
        writeln!(output.out, "\n{found} in {answers} of {frames}.")?;
        if !counts.taken_over.is_empty() {
            let told: Vec<_> = counts.taken_over.iter().map(|(name, count)| format!("{name} {count}×")).collect();
            writeln!(output.out, "Not compared, but taken over as captured: {}.", told.join(", "))?;
        }
        Ok(())
    }
}
