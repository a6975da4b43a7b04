//! The laws of the map file, and its errors as a person sees them.

use std::collections::BTreeSet;
use std::fs;
use std::io;

use toml::de::DeTable;

use stepchain::map::{
    BitField, Clearing, Coding, CommandForm, Crc8, CurveSegment, Encoding, Flag, Layout, MotionState, MotionStateField,
    Parameter, Piece, Register, RegisterMap, Sign, StatusBit, StatusLayout, TableEntry, Verb, Wire, Write,
};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::Unit;

use super::section::{Section, Source};
use super::{MapFileError, load, parse, read, to_toml};
use crate::random_map;

#[track_caller]
fn assert_returns(layout: &Layout) {
    let text = to_toml(layout);
    match parse(&text, "written.toml") {
        Ok(read) => assert_eq!(read, layout, "written as\n{text}"),
        Err(error) => panic!("{error}\nwritten as\n{text}"),
    }
}

/// As [`assert_returns`], for a layout that says everything and so could not work.
#[track_caller]
fn assert_returns_unchecked(layout: &Layout) {
    let text = to_toml(layout);
    let table = DeTable::parse(&text).unwrap_or_else(|error| panic!("{error}\nwritten as\n{text}"));
    let source = Source { name: "written.toml", text: &text };
    match read::layout(Section::root(source, table.get_ref())) {
        Ok((read, _)) => assert_eq!(&read, layout, "written as\n{text}"),
        Err(error) => panic!("{error}\nwritten as\n{text}"),
    }
}

const WIRE: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);
const BARE: Layout = Layout::new("bare", WIRE);

#[test]
fn both_reference_maps_come_back_as_they_went() {
    assert_returns(&Latched::LAYOUT);
    assert_returns(&FixedWord::LAYOUT);
}

#[test]
fn every_kind_of_piece_comes_back() {
    assert_returns_unchecked(&Layout::new("kinds", Wire::fixed_word(64, Piece::ONE_OF_EACH)));
    let edges = [
        Piece::fixed(64, u64::MAX),
        Piece::fixed(63, i64::MAX as u64),
        Piece::fixed(7, 0),
        Piece::fixed(0, 0),
        Piece::fixed(3, 8),
        Piece::fixed(255, 1),
        Piece::any(255),
        Piece::direction(false),
        Piece::data_part(255, 255),
        Piece::velocity(Coding::new(255, Encoding::Raw)).part(255, 0),
    ];
    assert_returns_unchecked(&Layout::new("edges", Wire::fixed_word(64, edges.to_vec().leak())));
}

#[test]
fn every_verb_flag_parameter_and_unit_comes_back() {
    let commands = Verb::ALL.iter().map(|verb| CommandForm::word(*verb, &[Piece::Crc])).collect::<Vec<_>>();
    let flags = Flag::ALL.iter().zip(0..).map(|(flag, bit)| StatusBit::live(*flag, bit));
    let latched = flags.clone().map(|bit| bit.axis(3).cleared_by(Clearing::FaultReset).active_low());
    let plain = Parameter::PLAIN.iter().map(|parameter| Register::new(*parameter, 0xFFFF, 32));
    let units = Unit::ALL.iter().map(|unit| Register::new(Parameter::Custom(255), 0, 1).unit(*unit));
    let states = MotionState::ALL.map(|state| CurveSegment::of(state, 7));
    let curve = states.into_iter().chain([CurveSegment::new(0)]);
    let curve = curve.flat_map(|s| [Parameter::BackEmfFrom(s), Parameter::BackEmfSlope(s)]);
    let curve = curve.map(|parameter| Register::new(parameter, 7, 16));
    let registers = plain.chain(units).chain(curve).collect::<Vec<_>>();
    let layout = BARE
        .commands(commands.leak())
        .registers(registers.leak())
        .status(StatusLayout::new(64, flags.chain(latched).collect::<Vec<_>>().leak()));
    assert_returns_unchecked(&layout);
}

#[test]
fn every_encoding_and_sign_comes_back() {
    const TABLE: &[TableEntry] = &[TableEntry::new(0, 4), TableEntry::ratio(u32::MAX, 1, 3)];
    let encodings = [
        Encoding::Raw,
        Encoding::linear(1, u32::MAX),
        Encoding::linear_from(2, 3, i32::MIN),
        Encoding::reciprocal(5, 7),
        Encoding::reciprocal_or_zero(5, 7),
        Encoding::power_of_two(3),
        Encoding::falling_power_of_two(256),
        Encoding::PowerOfTwo { numerator: 1, denominator: 9, falling: true },
        Encoding::Table(TABLE),
        Encoding::mantissa_exponent(9, 1, 64),
    ];
    let signs = [Sign::Unsigned, Sign::TwosComplement, Sign::SignMagnitude];
    let codings = encodings.into_iter().flat_map(|encoding| {
        signs.map(|sign| Coding::new(20, encoding).sign(sign)).into_iter().chain([Coding::new(20, encoding).up_to(9)])
    });
    let (registers, pieces): (Vec<_>, Vec<_>) = codings
        .map(|coding| {
            let mut register = Register::new(Parameter::Custom(0), 0, 20);
            register.coding = coding;
            (register, Piece::distance(coding))
        })
        .unzip();
    let commands = vec![CommandForm::word(Verb::MoveRelative, pieces.leak())];
    assert_returns_unchecked(&BARE.registers(registers.leak()).commands(commands.leak()));
}

/// A register's own name is the readable one, but only where it leads back to the same parameter.
#[test]
fn a_write_by_a_registers_name_comes_back_even_where_names_collide() {
    const REGISTERS: &[Register] = &[
        Register::new(Parameter::Custom(0), 0, 8).named("turn"),
        Register::new(Parameter::Custom(1), 1, 8).named("turn"),
        Register::new(Parameter::Custom(2), 2, 8).named("profile velocity"),
        Register::new(Parameter::Custom(3), 3, 8).named("custom 4"),
    ];
    const WRITES: &[Write] = &[
        Write::code(Parameter::Custom(0), 7),
        Write::argument(Parameter::Custom(1)),
        Write::direction(Parameter::Custom(2), 1, u32::MAX),
        Write::code(Parameter::Custom(3), 7),
        Write::code(Parameter::Custom(9), 7),
    ];
    const COMMANDS: &[CommandForm] = &[CommandForm::writes(Verb::MoveVelocity, WRITES)];
    let layout = BARE.registers(REGISTERS).commands(COMMANDS);
    assert_returns_unchecked(&layout);
    let text = to_toml(&layout);
    assert!(text.contains("{ \"turn\" = 7 }") && text.contains("{ \"custom 1\" = \"argument\" }"), "{text}");
}

#[test]
fn names_with_any_character_come_back() {
    let name = (0..0x250u32).filter_map(char::from_u32).chain(['\u{2028}', '𝄞', '"']).collect::<String>();
    assert_returns_unchecked(&Layout::new(name.leak(), WIRE));
}

/// What `Debug` prints of a layout has every field's name in it: one that is new here is unknown to the map file.
#[test]
fn every_field_of_a_layout_is_known_to_the_map_file() {
    const STATES: &[MotionStateField] = &[MotionStateField::new(BitField::new(0, 2), [0, 1, 2, 3])];
    const CODED: &[Register] = &[
        Register::new(Parameter::BackEmfFrom(CurveSegment::new(1)), 0, 8).encoding(Encoding::reciprocal(1, 1)),
        Register::new(Parameter::Custom(0), 0, 8).encoding(Encoding::power_of_two(1)),
        Register::new(Parameter::Custom(0), 0, 8).encoding(Encoding::mantissa_exponent(1, 1, 1)),
        Register::new(Parameter::Custom(0), 0, 8).encoding(Encoding::linear(1, 1)),
        Register::new(Parameter::Custom(0), 0, 8).encoding(Encoding::Table(&[TableEntry::new(1, 1)])),
    ];
    const COMMANDS: &[CommandForm] =
        &[CommandForm::writes(Verb::MoveVelocity, &[Write::direction(Parameter::Custom(0), 0, 1)])];
    const FLAGS: &[StatusBit] = &[StatusBit::live(Flag::Busy, 0)];
    let everything = Layout::new("", Wire::fixed_word(64, Piece::ONE_OF_EACH).crc(Crc8::new(7)))
        .registers(CODED)
        .commands(COMMANDS)
        .status(StatusLayout::new(8, FLAGS).motion_states(STATES));
    let printed = format!("{everything:?}");
    let fields = printed
        .split(": ")
        .filter_map(|before| before.rsplit([' ', '{']).next())
        .filter(|word| !word.is_empty() && word.chars().all(|c| c.is_ascii_lowercase() || c == '_'));
    let fields: BTreeSet<&str> = fields.collect();
    let known = "access address axes axis bit bit_order bits buffer_mode code codes coding commands crc denominator drive encoding \
        falling field filler flag flags framing holding idle_reply index initial lsb mantissa_bits max_clock_hz max_code \
        min_deselect_ns mode motion_states name negative numerator offset parameter polarity polynomial position \
        positive reflected refusal registers reply reply_timing request reset resolutions shared_write sign source spare_clocks \
        state status unit unit_bits value verb while_bridge_off while_faulted while_moving width wire wrap_around \
        xor_out zero";
    assert_eq!(fields, known.split_whitespace().collect());
}

/// A map file that is refused at the mark, for this reason.
#[track_caller]
fn assert_refused(marked: &str, reason: &str) {
    let (before, after) = marked.split_once('¦').expect("a mark");
    let (line, column) = match before.rsplit_once('\n') {
        Some((lines, last)) => (lines.matches('\n').count() + 2, last.chars().count() + 1),
        None => (1, before.chars().count() + 1),
    };
    let error = parse(&format!("{before}{after}"), "map.toml").expect_err("the map to be refused");
    assert_eq!(error.to_string(), format!("map.toml:{line}:{column}: {reason}"));
}

const HEAD: &str = "name = \"é\"\nwire = { framing = \"latched-units\", unit_bits = 8, filler = [\"0000 0000\"] }\n";

#[track_caller]
fn assert_refused_after_head(marked: &str, reason: &str) {
    assert_refused(&format!("{HEAD}{marked}"), reason);
}

#[test]
fn what_is_no_toml_is_refused_at_its_place() {
    let error = parse("name = \"x\"\naxes = = 1\n", "map.toml").expect_err("no TOML");
    assert!(matches!(error, MapFileError::Syntax { .. }));
    assert!(error.to_string().starts_with("map.toml:2:8: is no TOML: "), "{error}");
    assert_refused("name = \"x\"\n¦name = \"y\"\n", "is no TOML: duplicate key `name`");
}

#[test]
fn an_unknown_key_is_refused_and_the_known_ones_are_listed() {
    assert_refused_after_head(
        "position = { bits = 24, resolutions = [1], ¦wrap = true }",
        "found the key `wrap`, expected `bits`, `resolutions` or `wrap_around`",
    );
    assert_refused_after_head(
        "¦registers = []",
        "found the key `registers`, expected `name`, `axes`, `drive`, `wire`, `register`, `command`, `status` or \
         `position`; did you mean `register`?",
    );
}

#[test]
fn a_missing_key_is_refused_at_its_section() {
    assert_refused("¦drive = \"voltage\"", "found only `drive`, expected also `name`");
    assert_refused_after_head(
        "¦[[command]]\nverb = \"peek status\"",
        "found only `verb`, expected also `request` (pieces) or `writes` (register writes)",
    );
    assert_refused_after_head(
        "[[register]]\naddress = 1\nparameter = \"custom 0\"\nbits = 4\n¦[[register]]\naddress = 1",
        "found only `address`, expected also `parameter`",
    );
}

#[test]
fn a_word_that_is_no_choice_is_refused_with_the_choices() {
    assert_refused_after_head("drive = ¦\"torque\"", "found \"torque\", expected `voltage` or `current`");
    assert_refused_after_head(
        "[[register]]\nparameter = \"custom 0\"\naddress = 1\nbits = 8\nsign = ¦true",
        "found true, expected `unsigned`, `twos-complement` or `sign-magnitude`",
    );
    assert_refused_after_head(
        "[[command]]\nverb = \"peek status\"\nrequest = []\nrefused = [ ¦\"always\" ]",
        "found \"always\", expected `while moving`, `while bridge off` or `while faulted`",
    );
    assert_refused(
        "name = \"é\"\n[wire]\nframing = \"latched-units\"\nunit_bits = 8\nfiller = [\"00000000\"]\nmode = ¦4",
        "found 4, expected `0`, `1`, `2` or `3`",
    );
}

#[test]
fn a_number_beyond_its_type_is_refused_with_the_limits() {
    assert_refused_after_head("axes = ¦256", "found 256, expected a whole number from 0 to 255");
    assert_refused_after_head("axes = ¦1.5", "found 1.5, expected a whole number from 0 to 255");
    assert_refused_after_head(
        "[[register]]\nparameter = \"custom 0\"\naddress = ¦0x1_0000\nbits = 8",
        "found 0x1_0000, expected a whole number from 0 to 65535",
    );
}

#[test]
fn a_piece_that_is_none_is_refused_with_all_kinds() {
    const EXPECTED: &str = "a piece: binary digits in quotes, \"crc\", \"data by register\", or a table with `fixed`, \
        `any`, `axis`, `address`, `data`, `direction`, `velocity`, `distance`, `position` or `status`";
    for wrong in ["\"0120\"", "\"\"", "{ fix = 1, bits = 2 }"] {
        let marked = format!("[[command]]\nverb = \"peek status\"\nrequest = [\"crc\", ¦{wrong}]");
        assert_refused_after_head(&marked, &format!("found {wrong}, expected {EXPECTED}"));
    }
    assert_refused_after_head(
        "[[command]]\nverb = \"peek status\"\nrequest = [{ any = 1, ¦bits = 2 }]",
        "found the key `bits`, expected `any`",
    );
    assert_refused_after_head(
        "[[command]]\nverb = \"peek status\"\nrequest = [{ direction = { positive = ¦2 } }]",
        "found 2, expected the bit's level for the positive direction, 0 or 1",
    );
}

#[test]
fn two_meanings_of_one_code_are_refused_at_the_second() {
    assert_refused_after_head(
        "[[register]]\nparameter = \"custom 0\"\naddress = 1\nbits = 8\nlinear = [1, 2]\npower_of_two = ¦1",
        "found 1, expected only one meaning of a code",
    );
    assert_refused_after_head(
        "[[register]]\nparameter = \"custom 0\"\naddress = 1\nbits = 8\nlinear = ¦[1]",
        "found [1], expected a number, or [numerator, denominator]",
    );
}

const REGISTER: &str = "[[register]]\nparameter = \"custom 0\"\nname = \"a\"\naddress = 1\nbits = 8\n";
const WRITE: &str = "[[command]]\nverb = \"write parameter\"\nrequest = [\"1\", { address = 7 }, { data = 8 }]\n";

/// One flaw of each way in which the culprit is found.
#[test]
fn a_flawed_layout_is_refused_at_its_culprit() {
    assert_refused(
        "name = \"x\"\n[wire]\nframing = \"latched-units\"\nunit_bits = ¦65\nfiller = [{ any = 65 }]",
        "the unit has 65 bits; 1 to 64 are possible",
    );
    assert_refused(
        "name = \"x\"\n[wire]\nframing = \"latched-units\"\nunit_bits = 8\nfiller = ¦[{ any = 9 }]",
        "the filler is not exactly one unit of fixed bits (and the check, if any)",
    );
    assert_refused(
        "name = \"x\"\n[wire]\nframing = \"latched-units\"\nunit_bits = 8\nfiller = ¦[\"crc\"]",
        "command `filler` has check bits, but the wire names no check",
    );
    assert_refused_after_head("axes = ¦0", "the device has 0 axes; 1 to 16 are possible");
    assert_refused_after_head(
        "position = { bits = ¦33, resolutions = [1] }",
        "the position counter has 33 bits; 8 to 32 are possible",
    );
    assert_refused_after_head(
        "status = { bits = 8, flags = [{ bit = 0, flag = \"busy\" }, ¦{ bit = 1, flag = \"busy\" }] }",
        "flag `busy` stands at two bits",
    );
    assert_refused_after_head(
        "status = { bits = 8, flags = [{ bit = 0, flag = \"busy\" }, ¦{ bit = 0, flag = \"fault\" }] }",
        "flags `busy` and `fault` stand at the same bit",
    );
    assert_refused_after_head(
        "axes = 2\nstatus = { bits = 8, flags = [{ bit = 0, flag = \"busy\" }, ¦{ bit = 8, axis = 1, flag = \"busy\" }] }",
        "flag `busy`: its bit is outside of the status word or its axis of the device",
    );
    assert_refused_after_head(
        &format!(
            "{REGISTER}{WRITE}¦[[command]]\nverb = \"home on current position\"\nwrites = [{{ \"target velocity\" = 1 }}]"
        ),
        "command `home on current position` writes `target velocity`, which has no register",
    );
    assert_refused_after_head(&format!("{WRITE}¦{WRITE}"), "command `write parameter` has two forms");
}

/// What a flaw speaks of may be one value of the culprit's table.
#[test]
fn a_flawed_value_is_refused_at_the_value() {
    let register = |rest: &str| format!("[[register]]\nparameter = \"stall limit\"\naddress = 1\n{rest}");
    assert_refused_after_head(
        &register("bits = ¦33"),
        "register `stall limit`: its field has 33 bits from bit 0 on, expected 1 to 32 bits that end at bit 31 or below",
    );
    assert_refused_after_head(
        &register("bits = 8\nlinear = ¦[1, 0]"),
        "`stall limit`: its encoding has the factor 1/0; neither of the two may be 0",
    );
    assert_refused_after_head(
        &register("bits = 8\nreciprocal = 1\nreset = 1\nmax_code = ¦0"),
        "`stall limit`: its greatest code is 0, so that no code means anything; expected at least 1",
    );
    // The reset code is left out, and so is its place.
    assert_refused_after_head(
        &format!("¦{}", register("bits = 8\nreciprocal = 1")),
        "register `stall limit`: its reset code 0 means nothing in its encoding, expected a code that does",
    );
    assert_refused_after_head(
        "[[command]]\nverb = \"peek status\"\nrequest = ¦[\"1010 1010 1\"]",
        "command `peek status`: its request has 9 bits, expected a multiple of 8",
    );
}

#[test]
fn a_map_that_moves_must_tell_its_position_counter() {
    let command = "[[command]]\nverb = \"return to zero\"\nrequest = [\"1111 0000\"]\n";
    assert_refused_after_head(
        &format!("¦{command}"),
        "found the motion command `return to zero` in a map without `[position]`, expected `[position]` with `bits` \
         and `resolutions`",
    );
    let told = format!("{HEAD}{command}[position]\nbits = 24\nresolutions = [16]\n");
    assert_eq!(parse(&told, "map.toml").unwrap().position.bits, 24);
}

#[test]
fn a_misspelt_word_is_refused_with_the_one_that_was_meant() {
    let hint = |text: &str, near: &str| {
        let error = parse(&format!("{HEAD}{text}"), "map.toml").expect_err("a misspelt word").to_string();
        assert!(error.ends_with(&format!("; did you mean `{near}`?")), "{error}");
    };
    hint("drive = \"curent\"", "current");
    hint("postion = 1", "position");
    hint("[[register]]\nparameter = \"profile velocty\"\naddress = 1\nbits = 8", "profile velocity");
    hint("[[register]]\nparameter = \"custom 0\"\naddress = 1\nbits = 8\nunit = \"step/s\"", "steps/s");
    hint(&format!("{REGISTER}[[command]]\nverb = \"peak status\"\nrequest = []"), "peek status");
    let named = REGISTER.replace("\"a\"", "\"motion kind\"");
    hint(
        &format!("{named}{WRITE}[[command]]\nverb = \"home on current position\"\nwrites = [{{ motion_kin = 1 }}]"),
        "motion kind",
    );
}

#[test]
fn a_bench_file_is_told_from_a_map() {
    let error = parse("[chain]\nmap = \"latched\"\n", "bench.toml").expect_err("no map").to_string();
    let said = "bench.toml:1:1: found a bench file, expected a map file, with `name` and `[wire]`; `stepchain run` runs benches";
    assert_eq!(error, said);
}

/// All four registers bear the name `back-EMF slope`.
#[test]
fn of_registers_of_one_name_the_very_culprit_is_found() {
    let slope = |index: u8, mark: &str, rest: &str| {
        format!("{mark}[[register]]\nparameter = \"back-EMF slope {index}\"\naddress = {index}\nbits = 8\n{rest}")
    };
    let from = |index: u8| {
        format!("[[register]]\nparameter = \"back-EMF from velocity {index}\"\naddress = {}\nbits = 8\n", index + 8)
    };
    let good = slope(0, "", "") + &from(1) + &slope(1, "", "");
    assert_refused_after_head(
        &(good.clone() + &from(2) + &slope(2, "", "reset = ¦256\n") + &from(3) + &slope(3, "", "")),
        "register `back-EMF slope`: its reset code 256 does not fit into its 8 bits",
    );
    assert_refused_after_head(
        &(good + &slope(3, "¦", "")),
        "register `back-EMF slope`: the back-EMF curve has segments 0 to 7, counted from 0 without a gap, each with a \
         slope, one curve or one a motion state",
    );
    assert_refused_after_head(
        &format!("{REGISTER}¦{}", REGISTER.replace("custom 0", "custom 1").replace("= 1\n", "= 2\n")),
        "register `a`: another register bears this name",
    );
    let kept = format!("{REGISTER}access = \"read-only\"\n");
    assert_refused_after_head(
        &format!("{kept}¦{}", kept.replace("custom 0", "custom 1")),
        "registers `a` and `a` share bits of one address",
    );
}

#[test]
fn a_file_is_loaded_or_refused_by_its_name_and_place() {
    let directory = std::env::temp_dir().join(format!("stepchain-map-file-{}", std::process::id()));
    fs::create_dir_all(&directory).unwrap();
    let (good, bad) = (directory.join("good.toml"), directory.join("bad.toml"));
    fs::write(&good, HEAD).unwrap();
    fs::write(&bad, b"name = \"x\"\n# \xFF\n").unwrap();
    assert_eq!(load(&good).unwrap().name, "é");
    let error = load(&bad).unwrap_err().to_string();
    assert_eq!(error, format!("{}:2:3: found the byte 0xFF, expected text in UTF-8", bad.display()));
    let error = load(directory.join("none.toml")).unwrap_err();
    assert!(matches!(&error, MapFileError::Read { source, .. } if source.kind() == io::ErrorKind::NotFound));
    assert!(error.to_string().contains("none.toml"));
    fs::remove_dir_all(&directory).unwrap();
}

/// Any number of a map file replaced by any other, or any line left out: the answer is a layout or an error, and a
/// flaw is found at a place of its own (line 1 has the device's name, which cannot be flawed).
#[test]
fn a_spoilt_map_is_read_or_refused_at_its_place() {
    let mut flawed = BTreeSet::new();
    for seed in 0..24u64 {
        let text = to_toml(random_map::layout(seed));
        let lines: Vec<&str> = text.lines().collect();
        for (at, line) in lines.iter().enumerate().skip(1) {
            if !(at as u64 + seed).is_multiple_of(7) {
                continue;
            }
            let number = ["0", "1", "7", "31", "64", "65535"][(at + seed as usize) % 6];
            let mut digits = line.split(|c: char| !c.is_ascii_digit()).filter(|digits| !digits.is_empty());
            let spoilt = match digits.nth(seed as usize % 2) {
                Some(digits) => line.replacen(digits, number, 1),
                None => String::new(),
            };
            let (before, after) = (lines[..at].join("\n"), lines[at + 1..].join("\n"));
            let spoilt = format!("{before}\n{spoilt}\n{after}");
            if let Err(MapFileError::Flawed { place, flaw }) = parse(&spoilt, "spoilt.toml") {
                assert!(place.line > 1, "{flaw} has no place in\n{spoilt}");
                flawed.insert(format!("{flaw:?}").split(' ').next().unwrap_or_default().to_owned());
            }
        }
    }
    assert!(flawed.len() > 15, "{flawed:?}");
}
