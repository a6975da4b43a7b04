//! Finds the place in the file that a layout's flaw speaks of.
//!
//! A flaw names registers, commands and flags by their text, and several registers may bear the same text (one an
//! axis, one a segment). So a copy of the layout whose registers are named by their numbers is validated, too:
//! its flaw names the very register.

use stepchain::map::{CodingFlaw, Flaw, Layout, Parameter, Register};

use super::read::{ENCODINGS, Places};

/// The byte of the text where the culprit begins; 0 if the file has no place of its own for it.
pub(super) fn offset(layout: &Layout, flaw: Flaw, places: &Places) -> usize {
    let key = |key: &str| places.keys.get(key).copied();
    // A key that is not there stands, by its default, in its section; a section that is not there in the file.
    let key_or_section = |name: &str| key(name).or_else(|| key(name.split('.').next()?));
    let found = match flaw {
        Flaw::UnitBits { .. } => key("wire.unit_bits"),
        Flaw::Axes { .. } => key("axes"),
        Flaw::MaxClock => key_or_section("wire.max_clock_hz"),
        Flaw::Filler => key("wire.filler"),
        Flaw::IdleReply => key_or_section("wire.idle_reply"),
        Flaw::RepliesInSameSlots => key_or_section("wire.reply"),
        Flaw::StatusBits { .. } => key_or_section("status.bits"),
        Flaw::MotionStateField => motion_state(layout, places),
        Flaw::CounterBits { .. } => key_or_section("position.bits"),
        Flaw::Resolution { .. } => key_or_section("position.resolutions"),
        Flaw::StatusBit { flag } => {
            let outside = |at: usize| {
                layout.status.flags.get(at).is_some_and(|bit| bit.bit >= layout.status.bits || bit.axis >= layout.axes)
            };
            flags(layout, flag).find(|at| outside(*at)).and_then(|at| places.flags.get(at).copied())
        }
        Flaw::StatusOverlap { first, second } => {
            let bits_of_first: Vec<u8> = flags(layout, first).map(|at| layout.status.flags[at].bit).collect();
            let shares = |at: &usize| bits_of_first.contains(&layout.status.flags[*at].bit);
            // Against a motion state the flag itself is the culprit.
            let at = flags(layout, second).filter(shares).last().or_else(|| flags(layout, first).next());
            at.and_then(|at| places.flags.get(at).copied())
        }
        Flaw::StatusTwice { flag } => {
            let mut seen: Vec<u8> = Vec::new();
            let again = flags(layout, flag).find(|at| {
                let axis = layout.status.flags[*at].axis;
                let known = seen.contains(&axis);
                seen.push(axis);
                known
            });
            again.and_then(|at| places.flags.get(at).copied())
        }
        Flaw::CommandTwice { command } => {
            commands(layout, command).nth(1).and_then(|at| places.commands.get(at)).map(|entry| entry.start)
        }
        Flaw::OpcodeShadowed { second, .. } => command(layout, second, &[], places),
        Flaw::CustomNameTwice { register } => custom_again(layout, register).and_then(|at| place(at, &[], places)),
        other => match subject(other) {
            Some(Subject::Register) => numbered(layout).and_then(|at| place(at, values(&other), places)),
            Some(Subject::Command(name)) => command(layout, name, values(&other), places),
            Some(Subject::Either(name)) => command(layout, name, &[], places)
                .or_else(|| numbered(layout).and_then(|at| place(at, values(&other), places))),
            None => None,
        },
    };
    found.unwrap_or(0)
}

enum Subject {
    Register,
    Command(&'static str),
    /// A command or a register, whichever bears the name.
    Either(&'static str),
}

fn subject(flaw: Flaw) -> Option<Subject> {
    match flaw {
        Flaw::RegisterWidth { .. }
        | Flaw::RegisterAxis { .. }
        | Flaw::RegistersOverlap { .. }
        | Flaw::ParameterTwice { .. }
        | Flaw::ResetWidth { .. }
        | Flaw::ResetMeaningless { .. }
        | Flaw::AmplitudeUnit { .. }
        | Flaw::Curve { .. }
        | Flaw::ResolutionCode { .. }
        | Flaw::ResolutionUnlisted { .. }
        | Flaw::NoReadForm { .. } => Some(Subject::Register),
        Flaw::Coding { of, .. } | Flaw::NoValue { of, .. } | Flaw::PositionRange { of } => Some(Subject::Either(of)),
        Flaw::NotWholeUnits { command, .. }
        | Flaw::NotOneWord { command, .. }
        | Flaw::TooManyUnits { command, .. }
        | Flaw::RequestEmpty { command }
        | Flaw::DataByRegister { command }
        | Flaw::WriteCount { command, .. }
        | Flaw::PieceWidth { command }
        | Flaw::FixedValue { command }
        | Flaw::Parts { command }
        | Flaw::ArgumentMissing { command, .. }
        | Flaw::ArgumentForeign { command, .. }
        | Flaw::ArgumentTwice { command, .. }
        | Flaw::AddressWidth { command, .. }
        | Flaw::DataWidth { command, .. }
        | Flaw::CrcMissing { command }
        | Flaw::CrcNotLast { command }
        | Flaw::CrcLeftOut { command }
        | Flaw::DataBeforeAddress { command }
        | Flaw::ReplyMissing { command }
        | Flaw::WriteUnknown { command, .. }
        | Flaw::WriteReadOnly { command, .. }
        | Flaw::WriteShared { command, .. }
        | Flaw::WriteUnit { command, .. }
        | Flaw::NotByWrites { command }
        | Flaw::SetsGoingEarly { command }
        | Flaw::WriteNoForm { command } => Some(Subject::Command(command)),
        _ => None,
    }
}

/// The number of the register that the first flaw of the numbered copy names.
fn numbered(layout: &Layout) -> Option<usize> {
    let renamed: Vec<Register> = layout
        .registers
        .iter()
        .enumerate()
        .map(|(at, register)| register.named(Box::leak(at.to_string().into_boxed_str())))
        .collect();
    let name = match layout.registers(renamed.leak()).validate().err()? {
        Flaw::RegistersOverlap { second, .. } => second,
        Flaw::RegisterWidth { register, .. }
        | Flaw::RegisterAxis { register }
        | Flaw::ParameterTwice { register }
        | Flaw::ResetWidth { register, .. }
        | Flaw::ResetMeaningless { register, .. }
        | Flaw::AmplitudeUnit { register, .. }
        | Flaw::Curve { register }
        | Flaw::NoReadForm { register }
        | Flaw::ResolutionCode { register, .. }
        | Flaw::ResolutionUnlisted { register, .. }
        | Flaw::PositionRange { of: register }
        | Flaw::NoValue { of: register, .. }
        | Flaw::Coding { of: register, .. } => register,
        _ => return None,
    };
    name.parse().ok()
}

/// The keys of the culprit's table whose value the flaw speaks of, the most telling first; none for the whole table.
fn values(flaw: &Flaw) -> &'static [&'static str] {
    match flaw {
        Flaw::RegisterWidth { .. } => &["bits"],
        Flaw::RegisterAxis { .. } => &["axis"],
        Flaw::ParameterTwice { .. } => &["parameter"],
        Flaw::ResetWidth { .. } | Flaw::ResetMeaningless { .. } => &["reset"],
        Flaw::AmplitudeUnit { .. } => &["unit"],
        Flaw::Coding { why: CodingFlaw::GreatestCode { .. }, .. } => &["max_code", "bits"],
        Flaw::Coding { why: CodingFlaw::Width { .. }, .. } => &["bits"],
        Flaw::Coding { .. } => &ENCODINGS,
        Flaw::NotWholeUnits { of, .. } | Flaw::NotOneWord { of, .. } | Flaw::TooManyUnits { of, .. } => match *of {
            // The words of a flaw are the keys of the format.
            "reply" => &["reply"],
            _ => &["request"],
        },
        Flaw::RequestEmpty { .. } | Flaw::DataByRegister { .. } | Flaw::DataBeforeAddress { .. } => &["request"],
        Flaw::WriteCount { .. } => &["writes"],
        Flaw::ReplyMissing { .. } => &["reply"],
        _ => &[],
    }
}

/// The place of a command; of the wire's own two words, where the flaw is theirs.
fn command(layout: &Layout, name: &str, values: &[&str], places: &Places) -> Option<usize> {
    match name {
        "filler" => places.keys.get("wire.filler").copied(),
        "idle reply" => places.keys.get("wire.idle_reply").copied(),
        name => Some(places.commands.get(commands(layout, name).next()?)?.value(values)),
    }
}

fn place(register: usize, values: &[&str], places: &Places) -> Option<usize> {
    places.registers.get(register).map(|entry| entry.value(values))
}

fn commands(layout: &Layout, name: &str) -> impl Iterator<Item = usize> {
    layout.commands.iter().enumerate().filter(move |(_, form)| form.verb.name() == name).map(|(at, _)| at)
}

/// The first register of this name that follows another one of it, where one of the two is a custom one.
fn custom_again(layout: &Layout, name: &str) -> Option<usize> {
    let is_custom = |register: &Register| matches!(register.parameter, Parameter::Custom(_));
    layout.registers.iter().enumerate().position(|(at, register)| {
        let clashes = |before: &Register| {
            before.name == name && before.parameter != register.parameter && (is_custom(before) || is_custom(register))
        };
        register.name == name && layout.registers[..at].iter().any(clashes)
    })
}

fn flags(layout: &Layout, name: &str) -> impl Iterator<Item = usize> {
    layout.status.flags.iter().enumerate().filter(move |(_, bit)| bit.flag.name() == name).map(|(at, _)| at)
}

/// The first motion state with which the layout is flawed, counted from the top.
fn motion_state(layout: &Layout, places: &Places) -> Option<usize> {
    let fields = layout.status.motion_states;
    let flawed = |count: usize| {
        let status = layout.status.motion_states(&fields[..count]);
        layout.status(status).validate() == Err(Flaw::MotionStateField)
    };
    let at = (0..fields.len()).find(|at| flawed(at + 1))?;
    places.motion_states.get(at).copied()
}
