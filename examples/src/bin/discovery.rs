//! Before the motors get their supply: how many devices are there, and is the bus wired as it should be?
//!
//! `cargo run -p stepchain-examples --bin discovery`

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use stepchain::Chain;
use stepchain::map::{Layout, RegisterMap};
use stepchain::reference::FixedWord;
use stepchain::wiring;
use stepchain_sim::chain::{BusError, VirtualChain, VirtualSpi};

const LAYOUT: &Layout = &FixedWord::LAYOUT;

/// What becomes of the bytes that come back, told the bytes that were sent.
type Flaw = fn(&[u8], &mut [u8]);

/// A board on which something is wrong with the line that comes back.
struct Board {
    spi: VirtualSpi,
    flaw: Flaw,
}

impl ErrorType for Board {
    type Error = BusError;
}

impl SpiDevice for Board {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        for operation in operations.iter_mut() {
            if let Operation::TransferInPlace(words) = operation {
                let sent = words.to_vec();
                self.spi.transfer_in_place(words)?;
                (self.flaw)(&sent, words);
            }
        }
        Ok(())
    }
}

/// What comes back one bit late, as in a mode that samples on the wrong edge.
fn late(_: &[u8], came: &mut [u8]) {
    let mut carry = 0;
    for byte in came {
        (*byte, carry) = (*byte >> 1 | carry << 7, *byte & 1);
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let boards: [(&str, Flaw); 5] = [
        ("a board that is well", |_, _| {}),
        ("MISO shorted to ground", |_, came| came.fill(0)),
        ("MISO broken, with a pull-up", |_, came| came.fill(0xFF)),
        ("the connector's loop-back plug still in", |sent, came| came.copy_from_slice(sent)),
        ("SPI mode 1 instead of 0", late),
    ];
    let mut buffer = [0; wiring::buffer_bytes(LAYOUT, 8)];
    for (name, flaw) in boards {
        let bench = VirtualChain::new(LAYOUT, 3)?;
        let mut chain = Chain::<FixedWord, _, 3>::new(Board { spi: bench.spi(), flaw });
        match chain.check_wiring(&mut buffer)? {
            Ok(report) => println!("{name}: {} devices, all answer.", report.devices),
            Err(error) => println!("{name}: {error}."),
        }
    }

    let bench = VirtualChain::new(LAYOUT, 4)?;
    let found = wiring::discover::<FixedWord, _>(&mut bench.spi(), &mut buffer)??;
    println!("A chain of unknown length: {found} devices.");
    let mut chain = Chain::<FixedWord, _, 3>::new(bench.spi());
    if let Err(error) = chain.check_wiring(&mut buffer)? {
        println!("Firmware built for three on it: {error}.");
    }
    Ok(())
}
