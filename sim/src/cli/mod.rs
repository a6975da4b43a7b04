//! The program `stepchain`: arguments in, results to stdout, all else to stderr, and an exit code.
//!
//! | exit | means |
//! | --- | --- |
//! | 0 | done, nothing wrong |
//! | 1 | done, and something was found: a fault, a missed target |
//! | 2 | the input cannot be used; stderr says where and why |
//!
//! Every verb has a module of its own, which only turns arguments into calls of the library and results into text or
//! JSON Lines.

mod decode;
mod map;
mod plan;
mod replay;
mod run;
mod serve;
mod tune;

use std::error::Error;
use std::ffi::OsString;
use std::io::{self, Write};
use std::path::Path;

use clap::{Parser, Subcommand, ValueEnum};

use crate::bench::Problem;

/// Simulates daisy chains of smart stepper drivers on SPI.
///
/// Without a verb it runs its built-in bench end to end: the driver encodes commands into SPI frames, a virtual chain
/// decodes them, moves and answers.
#[derive(Debug, Parser)]
#[command(name = "stepchain", version, max_term_width = 100, after_help = EXAMPLE)]
struct Arguments {
    #[command(subcommand)]
    verb: Option<Verb>,
    /// Results as text for people, or as json for programs: one object a line.
    #[arg(long, global = true, value_enum, default_value_t = Format::Text, value_name = "FORMAT")]
    format: Format,
}

const EXAMPLE: &str = "\
Example: three axes of a sowing machine, with a report to open in a browser
  stepchain run --out out

Units: full steps, full steps/s, full steps/s², seconds, volts, amperes, degrees Celsius.
Exit: 0 nothing wrong, 1 something was found, 2 the input cannot be used.

This is a simulation. Real motors pinch, drop loads and get hot, and nothing here is a safety function.";

#[derive(Debug, Subcommand)]
enum Verb {
    Run(run::Arguments),
    Plan(plan::Arguments),
    Decode(decode::Arguments),
    Replay(replay::Arguments),
    Map(map::Arguments),
    Tune(tune::Arguments),
    Serve(serve::Arguments),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Format {
    Text,
    Json,
}

/// Where a verb writes to.
struct Output<'a> {
    format: Format,
    /// What the program is called by: the path by which it was, as it may lie nowhere else.
    called: String,
    out: &'a mut dyn Write,
    err: &'a mut dyn Write,
    /// Whether stdout has no results, but is a line that the other side closes when it likes.
    is_link: bool,
}

impl Output<'_> {
    /// Writes one object of JSON Lines.
    fn object(&mut self, object: &impl serde::Serialize) -> Result<(), Failure> {
        serde_json::to_writer(&mut self.out, object).map_err(io::Error::from)?;
        writeln!(self.out)?;
        Ok(())
    }
}

/// What a verb that did its work has to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Verdict {
    NothingWrong,
    Found,
}

/// Why a verb could not do its work.
#[derive(Debug)]
enum Failure {
    /// The input cannot be used; the text says where, what was found and what was expected.
    Input(String),
    /// The output cannot be written.
    Output(io::Error),
}

impl Failure {
    /// An input that cannot be used, for `map_err`.
    fn input(error: impl Error) -> Self {
        Self::Input(error.to_string())
    }
}

impl From<Problem> for Failure {
    fn from(problem: Problem) -> Self {
        Self::input(problem)
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        Self::Output(error)
    }
}

/// How to call the program again: by its path where it was called by one, and by its name where that was found.
fn called(program: Option<&OsString>) -> String {
    match program.map(Path::new).filter(|path| path.components().count() > 1) {
        Some(path) => path.display().to_string(),
        None => "stepchain".to_owned(),
    }
}

/// Runs the program; gives its exit code.
pub fn program<A>(arguments: impl IntoIterator<Item = A>, out: &mut dyn Write, err: &mut dyn Write) -> u8
where
    A: Into<OsString> + Clone,
{
    let arguments: Vec<OsString> = arguments.into_iter().map(Into::into).collect();
    let called = called(arguments.first());
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(stop) => {
            let text = stop.render();
            // Help and version are results; a wrong argument is not.
            let written = if stop.use_stderr() { write!(err, "{text}") } else { write!(out, "{text}") };
            return if written.is_ok() { u8::try_from(stop.exit_code()).unwrap_or(2) } else { 2 };
        }
    };
    let mut output = Output { format: arguments.format, called, out, err, is_link: false };
    let done = match arguments.verb {
        None => run::run(&run::Arguments::default(), &mut output),
        Some(Verb::Run(arguments)) => run::run(&arguments, &mut output),
        Some(Verb::Plan(arguments)) => plan::plan(&arguments, &mut output),
        Some(Verb::Decode(arguments)) => decode::decode(&arguments, &mut output),
        Some(Verb::Replay(arguments)) => replay::replay(&arguments, &mut output),
        Some(Verb::Map(arguments)) => map::map(&arguments, &mut output),
        Some(Verb::Tune(arguments)) => tune::tune(&arguments, &mut output),
        Some(Verb::Serve(arguments)) => serve::serve(&arguments, &mut output),
    };
    let done = done.and_then(|verdict| match output.out.flush() {
        Err(error) if !output.is_link => Err(Failure::Output(error)),
        _ => Ok(verdict),
    });
    match done {
        Ok(Verdict::NothingWrong) => 0,
        Ok(Verdict::Found) => 1,
        // Whoever reads has seen enough, as `head` does.
        Err(Failure::Output(error)) if error.kind() == io::ErrorKind::BrokenPipe => 0,
        Err(failure) => {
            let message = match failure {
                Failure::Input(message) => message,
                Failure::Output(error) => format!("the results cannot be written: {error}"),
            };
            // There is nowhere left to complain to if this fails.
            let _ = writeln!(err, "stepchain: {message}");
            2
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_program_names_itself_as_it_was_called() {
        let told = |program: &str| called(Some(&OsString::from(program)));
        assert_eq!(told("target/release/stepchain"), "target/release/stepchain");
        assert_eq!(told("./stepchain"), "./stepchain");
        assert_eq!(told("stepchain"), "stepchain");
        assert_eq!(called(None), "stepchain");
    }
}
