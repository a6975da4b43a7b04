//! Which maps tables can express. That they say then what the layout says is tried by the end-to-end tests, on all their maps.

use super::*;
use crate::map::RegisterMap;
use crate::map::{CommandForm, Piece, Register, Wire};
use crate::reference::{FixedWord, Latched};

/// A device whose answer's parts stand in other places for every register.
struct Shifting;

impl RegisterMap for Shifting {
    const LAYOUT: Layout = Layout::new("shifting", Wire::latched_units(8, &[Piece::fixed(8, 0xF0)]))
        .registers(&[Register::new(Parameter::ProfileVelocity, 1, 8)])
        .commands(&[CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 2), Piece::address(4)])
            .reply(&[Piece::fixed(8, 0xB), Piece::DataByRegister])]);
}
crate::check_map!(Shifting);

#[test]
fn the_reference_maps_are_expressed_whole_and_what_cannot_be_is_not_pretended_to() {
    const { assert!(Tables::<Latched>::ARE_WHOLE && Tables::<FixedWord>::ARE_WHOLE) };
    const { assert!(!Tables::<Shifting>::ARE_WHOLE) };
}

#[test]
fn only_maps_that_have_an_encoding_have_its_arithmetic() {
    const { assert!(!Tables::<Latched>::OTHERS, "its codes are lines, or few") };
    const { assert!(Tables::<FixedWord>::MANTISSA && !Tables::<FixedWord>::RECIPROCAL) };
    const { assert!(!Tables::<FixedWord>::TABLE && !Tables::<FixedWord>::FALLING) };
}

#[test]
fn every_parameter_is_found_as_the_layout_finds_it() {
    for parameter in Parameter::PLAIN {
        let number = Tables::<Latched>::field_number(*parameter, 0);
        let found = (number > 0).then(|| at(Tables::<Latched>::FIELDS, number).name);
        let expected = Tables::<Latched>::LAYOUT.register(*parameter, 0).map(|register| register.name);
        assert_eq!(found, expected);
    }
}
