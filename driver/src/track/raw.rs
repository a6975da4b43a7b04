//! What a bare write of a register amounts to on a map that makes commands of such writes.
//!
//! Where a motion is a sequence of writes, whoever writes its registers one by one moves the axis too; and whoever writes a
//! register's whole content writes every field that shares its address. Knows the map alone: no position, no limits.

use crate::command::{AxisCommand, Command};
use crate::map::{Layout, Parameter, Request, Verb, Write};

/// What a command does to an axis by writing a register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Touch {
    /// Nothing that a guard keeps account of, or it is no write.
    Nothing,
    /// The counter, or what a count of it means, may be another afterwards.
    Count,
    /// It may set the axis going, or change where it goes.
    Motion(&'static str),
}

impl Touch {
    /// What `asked` does to an axis.
    pub(super) fn of(layout: &Layout, asked: AxisCommand, axis: u8) -> Self {
        let (parameter, is_whole) = match asked.command {
            Command::WriteParameter { parameter, .. } => (parameter, false),
            Command::WriteContent { parameter, .. } => (parameter, true),
            _ => return Self::Nothing,
        };
        let Some(written) = layout.register(parameter, asked.axis) else {
            return Self::Nothing;
        };
        let is_written = |parameter: Parameter| {
            layout.register(parameter, axis).is_some_and(|register| {
                register.address == written.address && (is_whole || register.lsb == written.lsb)
            })
        };
        let is_of = |kind: fn(Verb) -> bool| {
            let sequences = layout.commands.iter().filter(|form| kind(form.verb));
            sequences.flat_map(|form| writes(form.request)).any(|write| is_written(write.parameter))
        };
        if is_of(Verb::is_motion) {
            Self::Motion(written.name)
        } else if is_of(is_of_the_count) || COUNT.into_iter().any(is_written) {
            Self::Count
        } else {
            Self::Nothing
        }
    }
}

/// The parameters that make the counter mean another place.
const COUNT: [Parameter; 3] =
    [Parameter::PositionDemandValue, Parameter::PositionActualValue, Parameter::MicrostepResolution];

const fn is_of_the_count(verb: Verb) -> bool {
    matches!(verb, Verb::HomeOnCurrentPosition | Verb::RestoreDefaults | Verb::ResetNode)
}

const fn writes(request: Request) -> &'static [Write] {
    match request {
        Request::Writes(writes) => writes,
        Request::Word(_) => &[],
    }
}
