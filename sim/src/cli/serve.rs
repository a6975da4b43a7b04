//! `serve`: a virtual chain for firmware at the other end of a byte link.

use std::fs;
use std::io::stdin;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;
use stepchain::map::Flag;

use super::run::{begin_capture, check_free, end_capture, write_files};
use super::{Failure, Format, Output, Verdict};
use crate::bench::{self, BUILT_IN, Bench};
use crate::device::bridge_name;
use crate::serve::pace::{RealTime, Wall};
use crate::serve::{self, COLUMNS, Condition, Offer, Outcome, Talk, frames_csv};
use crate::spelling::nearest;
use crate::text::table;

/// Offer a virtual chain to firmware over a byte link, and report what it did.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Arguments {
    /// The bench file: its chain, its machine and what it expects; without one, those of the built-in bench.
    #[arg(value_name = "BENCH.toml")]
    bench: Option<PathBuf>,
    #[command(flatten)]
    link: Link,
    /// With --listen: let other computers connect, too. There is no password and no encryption.
    #[arg(long, conflicts_with = "stdio")]
    any_host: bool,
    /// Let virtual time keep pace with the wall clock.
    #[arg(long)]
    real_time: bool,
    /// Let a condition hold for an axis' device, such as belt:overtemperature@2.5..4: from 2.5 s to 4 s of virtual time.
    /// Without the second time it lasts. May be repeated.
    #[arg(long = "condition", value_name = "AXIS:FLAG@FROM_S[..TO_S]")]
    conditions: Vec<String>,
    /// Write report.html, bus.vcd, motion.csv, frames.csv, log.txt and, byte by byte, what the firmware has logged over
    /// the link, firmware.log, to this directory, which must not exist.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write to a directory that exists, over what is there.
    #[arg(long, requires = "out")]
    force: bool,
}

/// Where the firmware is.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct Link {
    /// Talk over stdin and stdout; what else there is to say goes to stderr, the results too.
    #[arg(long)]
    stdio: bool,
    /// Wait for a TCP connection; at port 0, any that is free, which stderr tells.
    #[arg(long, value_name = "127.0.0.1:PORT")]
    listen: Option<SocketAddr>,
}

const EXAMPLE: &str = "\
Example: the chain of the built-in bench, for firmware on a board or in an
emulator whose UART is a TCP connection
  stepchain serve --listen 127.0.0.1:7000 --out out

The firmware's side is the crate `stepchain-link`; its documentation has the
protocol. Virtual time follows the firmware's transfers and delays, so the same
firmware gives the same result on any machine.

What of a bench file counts here: [chain], [machine.AXIS] and [expect]. Settings
and steps are the firmware's business.

One client at a time; others are refused. The chain stays as it is when a client
leaves, and the work is over when one says that it is done.
Exit 1: an axis is not where [expect] has it, the firmware says that it failed or
did not say that it was done, or bits came that no device understands.";

/// What JSON says of one axis.
#[derive(Debug, Serialize)]
struct Line<'a> {
    axis: &'a str,
    expected_steps: Option<f64>,
    reached_steps: f64,
    peak_velocity: f64,
    duration_s: f64,
    bridge: &'a str,
    refused: usize,
    faults: &'a [&'static str],
}

/// What JSON says of the whole.
#[derive(Debug, Serialize)]
struct Whole<'a> {
    duration_s: f64,
    bytes_on_wire: u64,
    frames: u64,
    requests: u64,
    repeated: u64,
    broken: u64,
    end: Option<u8>,
    findings: &'a [String],
}

pub(super) fn serve(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    let bench = match &arguments.bench {
        Some(path) => bench::load_machine(path),
        None => bench::parse_machine(&BUILT_IN),
    };
    let bench = bench.map_err(Failure::input)?;
    let conditions = arguments.conditions.iter().map(|text| condition(&bench, text)).collect::<Result<Vec<_>, _>>()?;
    if let Some(out) = &arguments.out {
        check_free(out, arguments.force)?;
    }
    let mut offer = Offer::new(&bench, &conditions).map_err(Failure::input)?;
    if let Some(out) = &arguments.out {
        begin_capture(out, &bench, offer.chain())?;
    }
    let mut talk = Talk::default();
    let mut clock = arguments.real_time.then(RealTime::begin);
    let wall = clock.as_mut().map(|clock| clock as &mut dyn Wall);
    match arguments.link.listen {
        None => {
            output.is_link = true;
            talk.hold(&mut offer, &mut stdin().lock(), &mut output.out, wall)?;
        }
        Some(address) => {
            if !address.ip().is_loopback() && !arguments.any_host {
                let text =
                    format!("--listen: found {address}, expected an address of this computer alone, 127.0.0.1:PORT");
                return Err(Failure::Input(format!("{text}; --any-host lets others connect")));
            }
            let refused = |error| Failure::Input(format!("--listen: cannot listen at {address}: {error}"));
            let listener = TcpListener::bind(address).map_err(refused)?;
            writeln!(output.err, "stepchain: listening at {}", listener.local_addr().map_err(refused)?)?;
            output.err.flush()?;
            serve::listen(&listener, &mut talk, &mut offer, wall)?;
        }
    }
    let outcome = Outcome::of(&bench, &offer, &talk);
    if let Some(out) = &arguments.out {
        end_capture(out, offer.chain())?;
        write_files(out, &serve::report(&bench, &outcome))?;
        let frames = frames_csv(offer.exchanges());
        let files =
            [("frames.csv", frames.as_bytes()), ("log.txt", outcome.log.as_bytes()), ("firmware.log", offer.log())];
        for (name, content) in files {
            let path = out.join(name);
            fs::write(&path, content).map_err(|error| Failure::Input(format!("{}: {error}", path.display())))?;
        }
    }
    // Where stdout is the link, nothing else may go there.
    let Output { format, out, err, .. } = output;
    let place = if arguments.link.stdio { err } else { out };
    match format {
        Format::Json => json(&outcome, *place)?,
        Format::Text => text(&bench, &outcome, arguments, *place)?,
    }
    Ok(if outcome.is_well() { Verdict::NothingWrong } else { Verdict::Found })
}

fn json(outcome: &Outcome, place: &mut dyn std::io::Write) -> Result<(), Failure> {
    let mut object = |object: String| writeln!(place, "{object}");
    let line = |text: serde_json::Result<String>| text.map_err(|error| Failure::Output(error.into()));
    for axis in &outcome.axes {
        object(line(serde_json::to_string(&Line {
            axis: &axis.name,
            expected_steps: axis.expected_steps,
            reached_steps: axis.reached_steps,
            peak_velocity: axis.peak_velocity,
            duration_s: axis.duration_s,
            bridge: bridge_name(axis.bridge),
            refused: axis.refused,
            faults: &axis.faults,
        }))?)?;
    }
    object(line(serde_json::to_string(&Whole {
        duration_s: outcome.duration_s,
        bytes_on_wire: outcome.bytes_on_wire,
        frames: outcome.frames,
        requests: outcome.requests,
        repeated: outcome.repeated,
        broken: outcome.broken,
        end: outcome.end,
        findings: &outcome.findings,
    }))?)?;
    Ok(())
}

fn text(
    bench: &Bench,
    outcome: &Outcome,
    arguments: &Arguments,
    place: &mut dyn std::io::Write,
) -> Result<(), Failure> {
    writeln!(place, "{}", bench.title)?;
    writeln!(place, "\n{}", table(&COLUMNS, &outcome.rows(), &[1, 2, 3, 4, 6]))?;
    writeln!(place, "Bus: {}, {} s of virtual time.", outcome.bus(), crate::report::number(outcome.duration_s))?;
    writeln!(place, "Link: {}.", outcome.link())?;
    if outcome.is_well() {
        writeln!(place, "Nothing wrong.")?;
    } else {
        writeln!(place, "\nFound:")?;
    }
    for finding in &outcome.findings {
        writeln!(place, "  {finding}")?;
    }
    if let Some(dir) = &arguments.out {
        writeln!(place, "\nWritten: {}", dir.display())?;
    }
    Ok(())
}

/// A condition as the user writes it.
fn condition(bench: &Bench, text: &str) -> Result<Condition, Failure> {
    let wrong = |found: &str, expected: &str| {
        Failure::Input(format!("--condition {text}: found {found:?}, expected {expected}"))
    };
    let (name, rest) = text.split_once(':').ok_or_else(|| wrong(text, "AXIS:FLAG@FROM_S[..TO_S]"))?;
    let (flag, times) = rest.split_once('@').ok_or_else(|| wrong(rest, "FLAG@FROM_S[..TO_S]"))?;
    let axis = bench.axes.iter().find(|axis| axis.name == name).ok_or_else(|| {
        let names: Vec<_> = bench.axes.iter().map(|axis| axis.name.as_str()).collect();
        wrong(name, &format!("one of `{}`", names.join("`, `")))
    })?;
    let known = bench.layout.status.flags.iter().map(|bit| bit.flag);
    let is_meant = |known: &Flag| known.name().replace(' ', "_") == flag.replace(' ', "_");
    let flag = known.clone().find(is_meant).ok_or_else(|| {
        let names: Vec<_> = known.map(|known| known.name().replace(' ', "_")).collect();
        let near = nearest(flag, names.iter().map(String::as_str))
            .map_or(String::new(), |near| format!("; did you mean `{near}`?"));
        wrong(flag, &format!("a flag of the map{near}"))
    })?;
    let time = |seconds: &str| match seconds.parse::<f64>() {
        Ok(value) if (0.0..=1e9).contains(&value) => Ok((value * 1e9).round() as u64),
        _ => Err(wrong(seconds, "a time in seconds")),
    };
    let (from_ns, to_ns) = match times.split_once("..") {
        Some((from, to)) => (time(from)?, Some(time(to)?)),
        None => (time(times)?, None),
    };
    if to_ns.is_some_and(|to_ns| to_ns <= from_ns) {
        return Err(wrong(times, "an end after the beginning"));
    }
    Ok(Condition { device: axis.device, axis: axis.axis.into(), flag, from_ns, to_ns })
}
