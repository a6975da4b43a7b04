//! VCD: frames by mode and polarity, and the traps.

use stepchain::map::SpiMode;
use stepchain_sim::capture::{CsActive, Line, Names, Options, TroubleKind};

use crate::{HEAD, in_mode, read};

fn vcd(name: &str, body: &str) -> crate::Read {
    read(name, format!("{HEAD}{body}").as_bytes(), &in_mode(SpiMode::Mode0))
}

fn pair(mosi: &str, miso: &str) -> (String, String) {
    (mosi.to_owned(), miso.to_owned())
}

/// Two bits, 1 then 0 sent, 0 then 1 received, half clocks of 10 ns, from `from` on; data settle on the falling edge.
fn two_bits(from: u64) -> String {
    let at = |dt: u64| from + dt;
    format!(
        "#{} 0! 1# 0$\n#{} 1\"\n#{} 0\" 0# 1$\n#{} 1\"\n#{} 0\"\n#{} 1!\n",
        at(0),
        at(10),
        at(20),
        at(30),
        at(40),
        at(50)
    )
}

/// By hand: the bits change on the falling edge and are read on the rising one. In mode 1 they would be read on the falling
/// edge: the level before it, which is the same bit.  In mode 2 the clock would rest high.
#[test]
fn the_mode_that_a_virtual_chain_states_holds_unless_another_is_asked_for() {
    let stated = |comment: &str, options: &Options| {
        let text = format!("$comment {comment} $end {HEAD}{REST}{}", two_bits(100));
        let path = crate::file("stated-mode.vcd", text.as_bytes());
        stepchain_sim::capture::open(&path, options).unwrap().facts().mode
    };
    let none = Options::default();
    assert_eq!(stated("virtual chain: map latched; devices 1; mode 2; bit order msb", &none), SpiMode::Mode2);
    assert_eq!(stated("virtual chain: map latched; mode 2", &in_mode(SpiMode::Mode1)), SpiMode::Mode1);
    assert_eq!(stated("virtual chain: map latched; mode 7; x", &none), SpiMode::Mode0);
    assert_eq!(stated("somebody's chain; mode 2", &none), SpiMode::Mode0);
}

const REST: &str = "#0 1! 0\" 0# 0$\n";

/// By hand: bits are read at 110 and 130 ns.
#[test]
fn changes_on_the_line_of_the_time_are_read() {
    let read = vcd("same-line.vcd", &format!("{REST}{}", two_bits(100)));
    assert_eq!(read.bits(), [pair("10", "01")]);
    assert!(read.troubles.is_empty() && read.error.is_none(), "{read:?}");
    assert_eq!((read.frames[0].start_ns, read.frames[0].end_ns, read.frames[0].complete), (100, 150, true));
}

#[test]
fn lines_that_end_in_a_carriage_return_and_capital_letters_are_read() {
    let body = format!("#0 X! Z\" 0# 0$\n#1 1! 0\"\n{}", two_bits(100)).replace('\n', "\r\n");
    let read = vcd("cr-lf.vcd", &body);
    assert_eq!((read.bits(), read.troubles.len()), (vec![pair("10", "01")], 0));
}

#[test]
fn values_on_the_line_that_ends_the_header_are_read() {
    let head = HEAD.trim_end();
    let read = read("header-line.vcd", format!("{head} {REST}{}", two_bits(100)).as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!((read.bits(), read.troubles.len()), (vec![pair("10", "01")], 0));
}

/// By hand: MOSI rises in the instant of the first reading edge and falls in that of the second; before them it is
/// low and high, after them high and low.
#[test]
fn of_data_that_change_with_the_clock_the_level_before_counts_unless_samples_are_late() {
    let body = format!("{REST}#100 0!\n#110 1\" 1#\n#120 0\"\n#130\n0#\n1\"\n#140 0\"\n#150 1!\n");
    let text = format!("{HEAD}{body}");
    let early = read("with-clock.vcd", text.as_bytes(), &in_mode(SpiMode::Mode0));
    let options = Options { sample_late: true, ..in_mode(SpiMode::Mode0) };
    let late = read("with-clock-late.vcd", text.as_bytes(), &options);
    assert_eq!((early.bits(), late.bits()), (vec![pair("01", "00")], vec![pair("10", "00")]));
    let told = TroubleKind::DataWithClock { line: Line::Mosi, bits: 2 };
    assert_eq!((early.kinds(), late.kinds()), (vec![told.clone()], vec![told]));
}

#[test]
fn to_come_out_of_an_unknown_level_is_no_edge() {
    let body = format!("{REST}#100 0! 1# 0$\n#105 x\"\n#110 1\"\n#120 0\" 0# 1$\n#130 1\"\n#140 0\"\n#150 1!\n");
    let read = vcd("unknown-clock.vcd", &body);
    assert_eq!(read.bits(), [pair("0", "1")], "only the edge at 130 is one");
    assert_eq!(read.kinds(), [TroubleKind::ClockLost { times: 1 }]);
    assert!(!read.frames[0].complete);
}

#[test]
fn data_without_a_level_are_zeros_and_told_with_their_line() {
    let body = format!("{REST}#100 0! 1# z$\n#110 1\"\n#120 0\" x#\n#130 1\"\n#140 0\"\n#150 1!\n");
    let read = vcd("undefined.vcd", &body);
    assert_eq!(read.bits(), [pair("10", "00")]);
    let (mosi, miso) = (Line::Mosi, Line::Miso);
    let told = [TroubleKind::Undefined { line: mosi, bits: 1 }, TroubleKind::Undefined { line: miso, bits: 2 }];
    assert_eq!(read.kinds(), told);
}

#[test]
fn a_paused_recording_is_lost_signals_and_no_selection() {
    let body = format!(
        "{REST}{}#200 0! 1#\n#210 1\"\n#215\n$dumpoff\nx!\nx\"\nx#\nx$\n$end\n#400\n$dumpon\n1!\n0\"\n0#\n0$\n$end\n{}",
        two_bits(100),
        two_bits(500)
    );
    let read = vcd("paused.vcd", &body);
    assert_eq!(read.bits(), [pair("10", "01"), pair("1", "1"), pair("10", "01")]);
    let complete: Vec<_> = read.frames.iter().map(|frame| frame.complete).collect();
    assert_eq!(complete, [true, false, true]);
    assert_eq!(read.kinds(), [TroubleKind::Paused, TroubleKind::SelectLost]);
    assert_eq!((read.troubles[0].time_ns, read.troubles[1].time_ns), (215, 215));
}

#[test]
fn a_recording_may_begin_and_end_inside_a_frame() {
    let body = format!("#0 0! 0\" 1# 1$\n#10 1\"\n#20 0\"\n#30 1!\n{}#200 0!\n#210 1\"\n#215\n", two_bits(100));
    let read = vcd("inside.vcd", &body);
    assert_eq!(read.bits(), [pair("1", "1"), pair("10", "01"), pair("0", "1")]);
    assert_eq!(read.kinds(), [TroubleKind::BeganInside, TroubleKind::EndedInside]);
    assert_eq!(read.troubles[1].time_ns, 215);
    let complete: Vec<_> = read.frames.iter().map(|frame| frame.complete).collect();
    assert_eq!(complete, [false, true, false]);
}

/// By hand: the file is cut in the middle of time 1150; of the change at 140 on all is known.
#[test]
fn a_last_line_that_is_cut_is_not_used() {
    let read = vcd("cut.vcd", &format!("{REST}{}#1140 0!\n#115", two_bits(100)));
    assert_eq!(read.kinds(), [TroubleKind::CutOff, TroubleKind::EndedInside]);
    assert_eq!((read.troubles[0].time_ns, read.frames[1].end_ns), (1140, 1140));
}

/// By hand: ticks of 10 ps, so 10000 of them are 100 ns; ticks of 1 µs.
#[test]
fn times_are_counted_by_the_time_scale() {
    for (scale, from, start_ns) in [("10ps", 10_000, 100), ("1 us", 100, 100_000), ("1\nfs", 1_000_000_000, 1000)] {
        let head = HEAD.replace("1 ns", scale);
        let text = format!("{head}{REST}{}", two_bits(from));
        let read = read("scale.vcd", text.as_bytes(), &Options { min_pulse_ns: Some(0), ..in_mode(SpiMode::Mode0) });
        assert_eq!((read.frames[0].start_ns, read.bits()), (start_ns, vec![pair("10", "01")]), "{scale}");
    }
}

/// By hand: of `b1` in four bits only the rightmost is set: `[0]` of `[3:0]`, `[3]` of `[0:3]`.
#[test]
fn short_vectors_are_extended_to_the_left_and_bits_counted_as_declared() {
    for (range, cs, sck, mosi) in [("[3:0]", 3, 1, 0), ("[0:3]", 0, 2, 3)] {
        let text = format!(
            "$timescale 1 ns $end $scope module top $end $var wire 4 % bus {range} $end $upscope $end \
             $enddefinitions $end\n#0 b1000 %\n#10 b1 %\n#20 b11 %\n#30 b1 %\n#40 b0 %\n#50 b10 %\n#60 bx %\n#70 b1000 %\n"
        );
        let name = |bit: i32| Some(format!("top.bus[{bit}]"));
        let names = Names { cs: name(cs), sck: name(sck), mosi: name(mosi), miso: None };
        let read = read("vector.vcd", text.as_bytes(), &Options { names, ..in_mode(SpiMode::Mode0) });
        assert_eq!(read.bits(), [pair("10", "-")], "{range}");
        assert_eq!(read.kinds(), [TroubleKind::SelectLost], "bx makes chip select unknown, too: {range}");
    }
}

/// By hand: the bits of the four modes are read on the edges that embedded-hal's MODE_0 to MODE_3 name. The clock
/// rises, falls, rises, falls; MOSI is 1 at the first edge and turns over just after each.
#[test]
fn each_mode_reads_on_its_own_edge() {
    for (mode, rest, expected) in
        [(SpiMode::Mode0, 0, "11"), (SpiMode::Mode1, 0, "00"), (SpiMode::Mode2, 1, "11"), (SpiMode::Mode3, 1, "00")]
    {
        let (away, back) = (1 - rest, rest);
        let body = format!(
            "#0 1! {rest}\" 1#\n#100 0!\n#110 {away}\"\n#111 0#\n#120 {back}\"\n#121 1#\n#130 {away}\"\n#131 0#\n\
             #140 {back}\"\n#150 1!\n"
        );
        let text = format!("{HEAD}{body}").replace("$var wire 1 $ miso $end ", "");
        let read = read("modes.vcd", text.as_bytes(), &in_mode(mode));
        assert_eq!((read.bits(), read.troubles.len()), (vec![pair(expected, "-")], 0), "{mode:?}");
    }
}

#[test]
fn a_chip_select_may_be_active_high() {
    let text = format!("{HEAD}{REST}{}", two_bits(100)).replace("0!", "q!").replace("1!", "0!").replace("q!", "1!");
    let options = Options { cs_active: CsActive::High, ..in_mode(SpiMode::Mode0) };
    assert_eq!(read("high.vcd", text.as_bytes(), &options).bits(), [pair("10", "01")]);
}

/// By hand: clocks of 20 ns; 160 ns of rest are eight clocks, and 161 ns are more.
#[test]
fn without_chip_select_frames_end_where_the_clock_rests_for_more_than_eight_clocks() {
    let head = HEAD.replace("$var wire 1 ! cs $end", "");
    for (second, frames) in [(290, vec![pair("1010", "0101")]), (291, vec![pair("10", "01"), pair("10", "01")])] {
        // The last edge of the first two bits is at 140, the first one of the second at `second` + 10.
        let text = format!("{head}#0 0\" 0# 0$\n{}{}#9000\n", two_bits(100), two_bits(second));
        let text = text.replace("0!", "").replace("1!", "");
        let read = read("no-select.vcd", text.as_bytes(), &in_mode(SpiMode::Mode0));
        assert_eq!((read.bits(), read.troubles.len()), (frames, 0), "{second}: {:?}", read.troubles);
    }
}

#[test]
fn a_clock_in_the_instant_of_chip_select_is_not_heard() {
    let body = format!("{REST}#100 0! 1\" 1#\n#110 0\"\n#120 1\"\n#130 0\"\n#140 1! 1\"\n");
    let read = vcd("race.vcd", &body);
    assert_eq!(read.bits(), [pair("1", "0")]);
    assert_eq!(read.kinds(), [TroubleKind::ClockWithSelect]);
}

#[test]
fn a_clock_that_rests_at_the_wrong_level_is_told_once() {
    let text = format!("{HEAD}{REST}{}{}", two_bits(100), two_bits(300));
    let read = read("rest.vcd", text.as_bytes(), &in_mode(SpiMode::Mode3));
    assert_eq!(read.kinds(), [TroubleKind::WrongRest { high: false, mode: SpiMode::Mode3 }]);
    assert_eq!(read.bits().len(), 2);
}

#[test]
fn time_that_goes_back_is_told_and_the_rest_is_read() {
    let read = vcd("back.vcd", &format!("{REST}#90\n#50\n#95\n{}", two_bits(100)));
    assert_eq!(read.kinds(), [TroubleKind::TimeWentBack { to_ns: 50 }]);
    assert_eq!(read.bits(), [pair("10", "01")]);
}

#[test]
fn a_selection_without_a_clock_is_told() {
    let read = vcd("empty-selection.vcd", &format!("{REST}#50 0!\n#70 1!\n{}", two_bits(100)));
    assert_eq!(read.kinds(), [TroubleKind::EmptySelection]);
    assert_eq!(read.bits(), [pair("", ""), pair("10", "01")]);
}

/// By hand: half clocks last 10 ns, so a pulse counts from 2 ns on.
#[test]
fn a_pulse_shorter_than_a_quarter_of_a_half_clock_is_left_out_and_told() {
    let body = format!(
        "{REST}{}#300 0! 1# 0$\n#310 1\"\n#320 0\"\n#324 1\"\n#325 0\"\n#330 1\"\n#340 0\"\n#350 1!\n#400\n",
        two_bits(100)
    );
    let read = vcd("glitch.vcd", &body);
    assert_eq!(read.bits(), [pair("10", "01"), pair("11", "00")]);
    assert_eq!(read.kinds(), [TroubleKind::Glitches { line: Line::Sck, pulses: 1, last_ns: 324 }]);
    assert_eq!(read.troubles[0].time_ns, 324);
    let all = Options { min_pulse_ns: Some(0), ..in_mode(SpiMode::Mode0) };
    let counted = crate::read("glitch-counted.vcd", format!("{HEAD}{body}").as_bytes(), &all);
    assert_eq!(counted.bits()[1], pair("111", "000"), "where every pulse counts");
}

#[test]
fn the_mode_is_guessed_from_rest_and_edges() {
    for mode in [SpiMode::Mode0, SpiMode::Mode1, SpiMode::Mode2, SpiMode::Mode3] {
        let path = format!("{}/../tests/captures/mode_{}.vcd", env!("CARGO_MANIFEST_DIR"), mode as u8);
        let options = Options { guess: true, ..Options::default() };
        let capture = stepchain_sim::capture::open(path.as_ref(), &options).unwrap();
        let guess = capture.facts().guess.unwrap();
        assert_eq!((guess.mode, capture.facts().mode), (mode, mode));
        assert_eq!(guess.rests_low.min(guess.rests_high) + guess.after_rising.min(guess.after_falling), 0);
    }
    let still = read("still.vcd", format!("{HEAD}{REST}").as_bytes(), &Options { guess: true, ..Options::default() });
    assert!(still.error.unwrap().to_string().contains("too few clock edges"));
}
