//! A mistake in a map, or in the use of one, does not compile, and the message names what is at fault.
//!
//! Each file under `refused` is a complete program with one mistake; the compiler's whole answer stands beside it.

/// The messages of the cases, as far as they are ours, and not the compiler's.
const CULPRITS: &[(&str, &str)] = &[
    ("address_too_narrow", "command `read parameter`: its address has 8 bits, expected 9 for register `stall limit`"),
    ("amplitude_in_another_unit", "register `standstill amplitude`: its unit is `of supply`, expected `A`"),
    ("argument_in_another_unit", "command `move velocity` writes its argument to `target position`, which is of"),
    ("axis_left_out", "command `home on current position` lacks its axis"),
    ("check_left_out", "command `home on current position` lacks check bits"),
    ("constant_beyond_its_unit", "the constant is beyond the range of its unit's type"),
    ("custom_name_twice", "register `custom`: another register bears this name"),
    ("denominator_of_zero", "`profile velocity`: its encoding has the factor 1/0; neither of the two may be 0"),
    ("field_leaves_its_register", "register `stall limit`: its field has 8 bits from bit 28 on"),
    ("frame_is_not_whole_bytes", "the frame of 3 devices of 12 bits is not whole bytes"),
    ("opcode_is_the_filler", "commands `filler` and `home on current position` cannot be told apart"),
    ("opcode_shadowed", "commands `peek status` and `home on current position` cannot be told apart"),
    ("parts_leave_bits_out", "command `move absolute, shortest way`: the parts of one number leave bits out"),
    ("position_without_a_sign", "`position demand value`: its codes do not reach as far as the signed"),
    ("registers_overlap", "registers `stall limit` and `overcurrent limit` share bits of one address"),
    ("reset_code_too_wide", "register `stall limit`: its reset code 256 does not fit into its 8 bits"),
    ("resolution_unlisted", "register `microstep resolution`: its code 1 means a resolution of 2, which the position"),
    ("resolution_without_a_code", "register `microstep resolution` has no code for a resolution of 256"),
    (
        "setting_out_of_range",
        "a setting does not fit the map: it is outside of its register's range: `profile velocity`",
    ),
    ("setting_without_a_register", "a setting does not fit the map: the map has no register for `full-step threshold`"),
    ("status_bit_outside", "flag `reset occurred`: its bit is outside of the status word"),
    ("status_taken_unseen", "command `take status` asks for something, or clears it, but its reply has no place"),
    ("unlike_count", "there are layouts for 2 devices, and the chain has 3"),
    ("unlike_spi_mode", "device 1 (`contrary`): its SPI mode is 3, that of device 0 is 0"),
    ("unlike_unit_width", "device 2 (`fixed-word`): its unit has 48 bits, that of device 0 has 16"),
    ("velocity_without_a_direction", "command `move velocity` lacks its direction"),
    ("word_is_not_whole_units", "command `move relative`: its request has 20 bits, expected a multiple of 16"),
];

#[test]
fn a_mistake_does_not_compile_and_a_sound_map_does() {
    let cases = trybuild::TestCases::new();
    cases.compile_fail("refused/*.rs");
    cases.pass("accepted/*.rs");
}

/// The compiler's words around it may change with its version; the message must not get lost in them.
#[test]
fn every_answer_names_the_culprit() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("refused");
    let mut found = Vec::new();
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path.file_stem().unwrap().to_str().unwrap().to_owned());
        }
    }
    found.sort();
    assert_eq!(found, CULPRITS.iter().map(|(case, _)| *case).collect::<Vec<_>>());
    for (case, message) in CULPRITS {
        let answer = std::fs::read_to_string(folder.join(case).with_extension("stderr")).unwrap();
        assert!(answer.contains(&format!("evaluation panicked: {message}")), "{case}: {answer}");
    }
}
