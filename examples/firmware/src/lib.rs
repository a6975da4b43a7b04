//! What both images of this folder share: the board's serial line as a [`Transport`], and the last things that a firmware
//! does.
//!
//! ```text
//!   application     stepchain-vial-picker, stepchain-slide-dipper: embedded-hal only, as in the tests on the host
//!        v   ^
//!   stepchain-link  SPI device, delay, pins and clock, as packets
//!        v   ^
//!   Uart            bytes; the one place with device registers
//!        v   ^
//!   stepchain serve the virtual chain, at the other end of the line
//! ```
//!
//! On a board with a chain of its own, the application gets the HAL's SPI device, delay and pins in place of the link's.
#![no_std]

mod async_uart;
mod said;
mod uart;

use core::sync::atomic::{AtomicBool, Ordering};

use cortex_m_semihosting::debug::{self, EXIT_FAILURE, EXIT_SUCCESS};
use cortex_m_semihosting::hprintln;
use stepchain::map::ChainMap;
use stepchain::release;
use stepchain_link::packet::MOST_BODY;
use stepchain_link::{Link, LinkError, LinkSpi, Transport};

pub use async_uart::{AsyncUart, Pin, arm, serve, serve_silence};
pub use said::{Said, said};
pub use uart::Uart;

/// The link of this board.
pub type BoardLink = Link<Uart>;

/// What can go wrong with it.
pub type BoardError = LinkError<core::convert::Infallible>;

/// Whether the panic to come is meant.
static PROVOKED: AtomicBool = AtomicBool::new(false);

/// Begins the session of the application.
///
/// # Errors
/// [`LinkError`].
pub fn begin(mut uart: Uart) -> Result<BoardLink, BoardError> {
    // What was on its way to the firmware that ran before is of no use any more.
    while let Ok(Some(_)) = uart.read() {}
    let (link, greeting) = Link::begin(uart, 1).map_err(|(error, _)| error)?;
    hprintln!("{} devices at the other end", greeting.devices);
    Ok(link)
}

/// Says that the next panic is meant, so that the image ends well if its handler does.
pub fn provoke() {
    PROVOKED.store(true, Ordering::SeqCst);
}

/// All that is left to do when the firmware has panicked: every bridge of the chain lets go, whatever was being sent, and the
/// other end is told, of the log what is left, too.
///
/// Uses nothing that the firmware may have been in the middle of: the serial line is taken anew, with a session of its own,
/// and the frames are constants.
pub fn let_go<M: ChainMap, const N: usize>(info: &core::panic::PanicInfo<'_>) -> ! {
    cortex_m::interrupt::disable();
    hprintln!("{}", info);
    let released = Link::begin(Uart::anew(), 2).map_err(|(error, _)| error).and_then(|(link, _)| {
        let link = core::cell::RefCell::new(link);
        let sent = release::send::<M, _, N>(&mut LinkSpi::new(&link));
        let is_well = sent.is_ok() && PROVOKED.load(Ordering::SeqCst);
        let (mut link, mut bytes) = (link.into_inner(), [0; MOST_BODY]);
        loop {
            match said(&mut bytes) {
                [] => break,
                words => link.log(words)?,
            }
        }
        link.end(u8::from(!is_well))?;
        sent.map(|()| is_well)
    });
    match released {
        Ok(true) => debug::exit(EXIT_SUCCESS),
        Ok(false) => hprintln!("every bridge has let go"),
        Err(error) => hprintln!("the bridges may hold still: {}", error),
    }
    fail()
}

/// Ends the image as failed.
pub fn fail() -> ! {
    loop {
        debug::exit(EXIT_FAILURE);
    }
}
