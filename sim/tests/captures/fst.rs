//! FST: the same as VCD, whatever is cut off or flipped.

use fst_writer::{FstFileType, FstInfo, FstScopeType, FstSignalType, FstVarDirection, FstVarType, open_fst};
use stepchain::map::SpiMode;
use stepchain_sim::capture::{Options, TroubleKind};

use crate::{HEAD, file, in_mode, read};

/// Six frames of mode 0, level by level: time, line, level.
fn changes() -> Vec<(u64, usize, bool)> {
    let mut changes = vec![(0, 0, true), (0, 1, false), (0, 2, false), (0, 3, false)];
    let mut time = 100;
    for frame in 0..6u32 {
        changes.push((time, 0, false));
        for bit in 0..8 {
            changes.extend([
                (time, 1, false),
                (time, 2, ((frame * 37) >> bit) & 1 == 1),
                (time, 3, ((frame * 91) >> bit) & 1 == 1),
            ]);
            changes.push((time + 10, 1, true));
            time += 20;
        }
        changes.extend([(time, 1, false), (time + 10, 0, true)]);
        time += 100;
    }
    changes
}

fn fst(name: &str) -> Vec<u8> {
    let path = file(name, &[]);
    let info = FstInfo {
        start_time: 0,
        timescale_exponent: -9,
        version: String::new(),
        date: String::new(),
        file_type: FstFileType::Verilog,
    };
    let mut head = open_fst(&path, &info).unwrap();
    head.scope("top", "", FstScopeType::Module).unwrap();
    let ids = ["cs", "sck", "mosi", "miso"].map(|name| {
        head.var(name, FstSignalType::bit_vec(1), FstVarType::Wire, FstVarDirection::Implicit, None).unwrap()
    });
    head.up_scope().unwrap();
    let mut body = head.finish().unwrap();
    let mut now = u64::MAX;
    for (time, line, level) in changes() {
        if time != now {
            body.time_change(time).unwrap();
            now = time;
        }
        body.signal_change(ids[line], if level { b"1" } else { b"0" }).unwrap();
    }
    body.finish().unwrap();
    std::fs::read(&path).unwrap()
}

#[test]
fn an_fst_file_gives_what_the_vcd_file_of_the_same_levels_gives() {
    let body: String = changes()
        .iter()
        .map(|&(time, line, level)| format!("#{time}\n{}{}\n", u8::from(level), ['!', '"', '#', '$'][line]))
        .collect();
    let vcd = read("same.vcd", format!("{HEAD}{body}").as_bytes(), &in_mode(SpiMode::Mode0));
    let fst = read("same.fst", &fst("made.fst"), &in_mode(SpiMode::Mode0));
    assert_eq!((vcd.frames.len(), vcd.troubles.len()), (6, 0), "{:?}", vcd.error);
    assert_eq!(fst.frames, vcd.frames, "{:?}", fst.error);
    assert_eq!(fst.troubles, vcd.troubles);
}

#[test]
fn a_cut_fst_file_is_told_wherever_it_is_cut() {
    let whole = fst("to-cut.fst");
    for length in 0..whole.len() {
        let cut = read("cut.fst", &whole[..length], &Options::default());
        let is_told = cut.error.is_some() || cut.kinds().contains(&TroubleKind::CutOff);
        assert!(is_told, "{length} of {} bytes: {cut:?}", whole.len());
    }
}

/// A flipped bit may change what is read; it may not end the program.
#[test]
fn a_flipped_bit_in_an_fst_file_ends_in_frames_or_an_error() {
    let whole = fst("to-flip.fst");
    let mut errors = 0;
    for place in 0..whole.len() {
        let mut flipped = whole.clone();
        flipped[place] ^= 1 << (place % 8);
        errors += usize::from(read("flipped.fst", &flipped, &in_mode(SpiMode::Mode0)).error.is_some());
    }
    assert!(errors > 20, "{errors} of {} noticed", whole.len());
}
