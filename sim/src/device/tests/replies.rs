//! When replies leave, and what is in them.

use super::*;

/// Status at rest after power-up: not busy (active low: 0x0001), bridge off (0x0020), reset occurred (bit 15 low).
const LATCHED_AT_REST: u64 = 0x0021;

#[test]
fn the_first_unit_of_a_reply_is_given_at_the_latch_of_its_request() {
    let mut device = device(LATCHED);
    // The profile velocity's reset code is 25 000 = 0x00_61A8, in two units.
    assert_eq!(send(&mut device, 0, &[FILLER, 0x5010, FILLER, FILLER]), [0, 0x0000, 0x61A8, 0]);
    assert_eq!(send(&mut device, 0, &[0xE000, FILLER]), [LATCHED_AT_REST, 0]);
}

#[test]
fn commands_in_the_slots_of_a_reply_are_decoded_and_the_reply_goes_on() {
    let mut device = device(LATCHED);
    let units = [0x5010, 0xB413, 0x8800, FILLER];
    assert_eq!(send(&mut device, 0, &units), [0x0000, 0x61A8, 0, 0]);
    assert!(device.axes()[0].is_moving(0), "the move velocity in the slots of the reply was taken");
}

#[test]
fn a_new_reply_replaces_what_is_left_of_an_old_one() {
    let mut device = device(LATCHED);
    assert_eq!(send(&mut device, 0, &[0x5010, 0xE000, FILLER]), [0x0000, LATCHED_AT_REST, 0]);
}

/// The status after power-up: bridge off (bit 2) and reset occurred (bit 7).
#[test]
fn fixed_word_answers_in_the_next_frame_and_shows_its_status_when_idle() {
    let mut device = device(FIXED_WORD);
    // The profile velocity's reset code is 200 000 = 0x0003_0D40.
    let replies = send(&mut device, 0, &[read(0x20), checked(0)]);
    assert_eq!(replies, [checked(0x84_0003_0D40), checked(0x84_0000_0000)]);
}

#[test]
fn a_write_is_answered_with_what_the_register_then_holds() {
    let mut device = device(FIXED_WORD);
    assert_eq!(device.latch(write(0x20, 1000), 0), checked(0x84_0000_03E8));
    // A velocity demand value cannot be written; bit 3 tells the rejection.
    assert_eq!(device.latch(write(0x31, 7), 0), checked(0x8C_0000_0000));
}

#[test]
fn taking_the_status_shows_the_state_before_it_is_cleared() {
    let mut device = device(LATCHED);
    // Bit 9: unknown.
    let unknown = LATCHED_AT_REST | 1 << 9;
    assert_eq!(send(&mut device, 0, &[0xFFFF, 0xE000, 0xE100]), [0, unknown, unknown]);
    // Bit 15 is active low.
    assert_eq!(send(&mut device, 0, &[0xE100]), [LATCHED_AT_REST | 0x8000]);
}

#[test]
fn peeking_clears_nothing() {
    let mut device = device(FIXED_WORD);
    let peek = checked(0x01_0000_0000);
    let reset_shown = checked(0x84_0000_0000);
    assert_eq!(send(&mut device, 0, &[peek, peek]), [reset_shown; 2]);
    let take = checked(0x02_0000_0000);
    assert_eq!(send(&mut device, 0, &[take, peek]), [reset_shown, checked(0x04_0000_0000)]);
}

#[test]
fn filler_changes_nothing_but_completes_what_was_begun() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8811, FILLER]);
    assert_eq!(device.content(0x11, 0), 0x7E7E);
    device.take_events();
    send(&mut device, 0, &[FILLER; 5]);
    assert_eq!(device.take_events(), []);
}
