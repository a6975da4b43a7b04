//! JSON Lines: one object a frame, a device's word, or a command. What is wrong with the recording goes to stderr.

use serde::Serialize;
use serde_json::{Map, Value, json};
use stepchain::map::BufferMode;

use super::show::{Show, hex, name};
use super::{Chain, Counts};
use crate::capture::{Asked, Exchange, Facts, FieldValue, Frame, Reply, Trouble, Word};
use crate::cli::{Failure, Output};

pub(super) struct Json;

/// A frame, or one device's part of it.
#[derive(Serialize)]
struct Line {
    frame: u64,
    start_ns: i64,
    end_ns: i64,
    bits: usize,
    mosi: Option<String>,
    miso: Option<String>,
    complete: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    device: Option<usize>,
}

/// A command.
#[derive(Serialize)]
struct Command {
    start_ns: i64,
    device: usize,
    command: &'static str,
    arguments: Value,
    reply: Option<Value>,
    latched_ns: i64,
    frame: u64,
    last_frame: u64,
    units: Vec<String>,
    notes: Vec<String>,
}

impl Line {
    fn of(frame: &Frame, device: Option<usize>, mosi: Option<&[bool]>, miso: Option<&[bool]>) -> Self {
        Self {
            frame: frame.number,
            start_ns: frame.start_ns,
            end_ns: frame.end_ns,
            bits: mosi.or(miso).map_or(0, <[bool]>::len),
            mosi: mosi.map(hex),
            miso: miso.map(hex),
            complete: frame.complete,
            device,
        }
    }
}

impl Show for Json {
    fn begin(&mut self, _: &str, _: &Facts, _: Option<&Chain>, _: &mut Output<'_>) -> Result<(), Failure> {
        Ok(())
    }

    fn frame(&mut self, frame: &Frame, output: &mut Output<'_>) -> Result<(), Failure> {
        output.object(&Line::of(frame, None, frame.mosi.as_deref(), frame.miso.as_deref()))
    }

    fn words(&mut self, frame: &Frame, words: &[Word<'_>], output: &mut Output<'_>) -> Result<(), Failure> {
        words.iter().try_for_each(|word| output.object(&Line::of(frame, Some(word.device), word.mosi, word.miso)))
    }

    fn exchange(&mut self, exchange: &Exchange, output: &mut Output<'_>) -> Result<(), Failure> {
        output.object(&Command {
            start_ns: exchange.start_ns,
            device: exchange.device,
            command: name(&exchange.asked),
            arguments: arguments(&exchange.asked),
            reply: exchange.reply.as_ref().map(reply),
            latched_ns: exchange.latched_ns,
            frame: exchange.frames.0,
            last_frame: exchange.frames.1,
            units: exchange.units.iter().map(|unit| format!("{unit:#x}")).collect(),
            notes: exchange.notes.iter().map(ToString::to_string).collect(),
        })
    }

    fn trouble(&mut self, trouble: &Trouble, output: &mut Output<'_>) -> Result<(), Failure> {
        Ok(writeln!(output.err, "stepchain: {trouble}")?)
    }

    fn end(&mut self, _: &Counts, _: &mut Output<'_>) -> Result<(), Failure> {
        Ok(())
    }
}

fn arguments(asked: &Asked) -> Value {
    match asked {
        Asked::Command { axis, buffer_mode, argument, .. } => {
            let mut object = Map::new();
            object.insert("axis".to_owned(), (*axis).into());
            if *buffer_mode == BufferMode::Buffered {
                object.insert("buffered".to_owned(), true.into());
            }
            object.insert("values".to_owned(), argument.iter().map(field).collect());
            object.into()
        }
        Asked::Read { address, names } => json!({ "address": address, "parameters": names }),
        Asked::Write { address, content, values, sets_going } => {
            let mut object = Map::new();
            object.insert("address".to_owned(), (*address).into());
            object.insert("content".to_owned(), (*content).into());
            object.insert("values".to_owned(), values.iter().map(field).collect());
            if let Some(asked) = sets_going {
                let going = json!({ "command": name(asked), "arguments": arguments(asked) });
                object.insert("sets_going".to_owned(), going);
            }
            object.into()
        }
        _ => json!({}),
    }
}

fn field(field: &FieldValue) -> Value {
    let FieldValue { name, axis, code, value, unit, microsteps } = field;
    let mut object = json!({ "name": name, "axis": axis, "code": code, "value": value, "unit": unit });
    if let (Some(microsteps), Some(object)) = (microsteps, object.as_object_mut()) {
        object.insert("microsteps".to_owned(), (*microsteps).into());
    }
    object
}

fn reply(reply: &Reply) -> Value {
    json!({
        "units": reply.units.iter().map(|unit| format!("{unit:#x}")).collect::<Vec<_>>(),
        "status": reply.status.map(|(status, _)| status),
        "flags": reply.flags.iter().map(|(flag, _)| flag.name()).collect::<Vec<_>>(),
        "motion_states": reply.states.iter().map(|(_, state)| state.name()).collect::<Vec<_>>(),
        "content": reply.content,
        "values": reply.values.iter().map(field).collect::<Vec<_>>(),
        "well_formed": reply.is_well_formed,
        "check_is_right": reply.check_is_right,
    })
}
