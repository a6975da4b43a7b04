//! A serial line that is not what it should be: passes bytes on from its input to its output, and loses, spoils and invents
//! one here and there, by a seed. `examples/firmware/run` lays two of them between a firmware and its chain.
//!
//! `cargo run -p stepchain-examples --bin bad_line -- SEED ONE_IN <in >out`

use std::io::{ErrorKind, Read, Write, stdin, stdout};

/// SplitMix64 (from memory, Steele, Lea and Flood 2014).
struct Dice(u64);

impl Dice {
    fn draw(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut numbers = std::env::args().skip(1).map(|text| text.parse::<u64>());
    let mut dice = Dice(numbers.next().unwrap_or(Ok(1))?);
    let one_in = numbers.next().unwrap_or(Ok(5_000))?.max(1);
    let (mut input, mut output, mut bytes) = (stdin().lock(), stdout().lock(), [0; 1024]);
    let (mut passed, mut lost, mut spoilt, mut invented) = (0_u64, 0_u64, 0_u64, 0_u64);
    loop {
        let count = match input.read(&mut bytes) {
            Ok(0) => break,
            Ok(count) => count,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(error.into()),
        };
        let mut on = Vec::new();
        for byte in bytes.iter().take(count) {
            passed += 1;
            let fate = if dice.draw().is_multiple_of(one_in) { dice.draw() % 3 } else { 3 };
            match fate {
                0 => lost += 1,
                1 => {
                    spoilt += 1;
                    on.push(byte ^ 1 << (dice.draw() % 8));
                }
                2 => {
                    invented += 1;
                    on.extend([dice.draw() as u8, *byte]);
                }
                _ => on.push(*byte),
            }
        }
        if let Err(error) = output.write_all(&on).and_then(|()| output.flush()) {
            // Whoever listened is done.
            if error.kind() != ErrorKind::BrokenPipe {
                return Err(error.into());
            }
            break;
        }
    }
    eprintln!("of {passed} bytes {lost} were lost, {spoilt} spoilt, and {invented} invented between them");
    Ok(())
}
