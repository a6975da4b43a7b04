//! Prints what a firmware image has logged by defmt, from the file `firmware.log` that `stepchain serve --out` keeps:
//!
//! ```sh
//! cargo run -- IMAGE firmware.log
//! ```
//!
//! The image has the texts, the log only their numbers and the values. A frame that is none is an error: the link loses nothing.

use std::error::Error;
use std::{env, fs};

use defmt_decoder::{DecodeError, Table};

fn main() -> Result<(), Box<dyn Error>> {
    let paths: Vec<_> = env::args_os().skip(1).collect();
    let [image, log] = paths.as_slice() else { return Err("usage: IMAGE firmware.log".into()) };
    let table = Table::parse(&fs::read(image)?)?.ok_or("the image logs nothing by defmt")?;
    let mut decoder = table.new_stream_decoder();
    decoder.received(&fs::read(log)?);
    loop {
        match decoder.decode() {
            Ok(frame) => {
                let level = frame.level().map_or("", |level| level.as_str());
                println!("{level:5} {}", frame.display_message());
            }
            Err(DecodeError::UnexpectedEof) => return Ok(()),
            Err(DecodeError::Malformed) => return Err("a frame of the log that is none".into()),
        }
    }
}
