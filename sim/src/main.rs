//! The program `stepchain`.

use std::io::{BufWriter, stderr, stdout};
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut out = BufWriter::new(stdout().lock());
    ExitCode::from(stepchain_sim::cli::program(std::env::args_os(), &mut out, &mut stderr().lock()))
}
