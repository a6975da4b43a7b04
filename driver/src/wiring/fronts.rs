//! The thin fronts: the loop around a [`Check`] for an SPI device of either kind, and for a chain.

use embedded_hal::spi::SpiDevice;

use crate::chain::{Chain, Codec, Pending};
use crate::map::{ChainMap, Devices, RegisterMap};

use super::check::Check;
use super::{Report, WiringError};

#[cfg(feature = "async")]
use crate::chain::AsyncChain;

/// A map's codec, checked when it is compiled.
const fn codec<M: RegisterMap>() -> Codec {
    const {
        M::LAYOUT.assert_valid();
        Codec::of_checked(Devices::alike(&M::LAYOUT))
    }
}

/// The codec of a chain of `N` devices, checked likewise.
const fn codec_of<M: ChainMap, const N: usize>() -> Codec {
    const {
        M::DEVICES.assert_valid_for(N);
        Codec::of_checked(M::DEVICES)
    }
}

/// Counts the devices of the kind `M` behind an SPI device.
///
/// `buffer` is as [`Check::new`] says. Every device is left with filler.
///
/// # Errors
/// The outer error is the transfer's; the inner one the [`WiringError`].
pub fn discover<M: RegisterMap, S: SpiDevice>(
    spi: &mut S,
    buffer: &mut [u8],
) -> Result<Result<usize, WiringError>, S::Error> {
    let mut check = match Check::new(codec::<M>(), None, &mut [], buffer) {
        Ok(check) => check,
        Err(error) => return Ok(Err(error)),
    };
    while let Some(frame) = check.next_frame() {
        spi.transfer_in_place(frame)?;
        check.came_back();
    }
    Ok(check.verdict().map(|report| report.devices))
}

/// As [`discover`], for an executor.
///
/// # Errors
/// As [`discover`].
#[cfg(feature = "async")]
pub async fn discover_async<M: RegisterMap, S: embedded_hal_async::spi::SpiDevice>(
    spi: &mut S,
    buffer: &mut [u8],
) -> Result<Result<usize, WiringError>, S::Error> {
    let mut check = match Check::new(codec::<M>(), None, &mut [], buffer) {
        Ok(check) => check,
        Err(error) => return Ok(Err(error)),
    };
    while let Some(frame) = check.next_frame() {
        spi.transfer_in_place(frame).await?;
        check.came_back();
    }
    Ok(check.verdict().map(|report| report.devices))
}

impl<M: ChainMap, S: SpiDevice, const N: usize> Chain<M, S, N> {
    /// Checks that the chain has `N` devices, that what is sent comes through all of them, and that each answers sense.
    ///
    /// `buffer` is as [`Check::new`] says. Every device is left with filler, and the chain is in step afterwards.
    ///
    /// ```
    /// # use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
    /// # struct Bus;
    /// # impl ErrorType for Bus { type Error = ErrorKind; }
    /// # impl SpiDevice for Bus {
    /// #     fn transaction(&mut self, _: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> { Ok(()) }
    /// # }
    /// # let spi = Bus;
    /// use stepchain::reference::Latched;
    /// use stepchain::wiring::{self, WiringError};
    /// use stepchain::Chain;
    ///
    /// let mut chain = Chain::<Latched, _, 3>::new(spi);
    /// // Room to tell up to eight devices; here, nothing is connected but a wire from output to input.
    /// let mut buffer = [0; wiring::buffer_bytes(Chain::<Latched, Bus, 3>::LAYOUT, 8)];
    /// assert_eq!(chain.check_wiring(&mut buffer)?, Err(WiringError::TiedTogether));
    /// # Ok::<(), ErrorKind>(())
    /// ```
    ///
    /// # Errors
    /// The outer error is the transfer's; the inner one the [`WiringError`].
    pub fn check_wiring(&mut self, buffer: &mut [u8]) -> Result<Result<Report, WiringError>, S::Error> {
        let mut pending = [Pending::default(); N];
        let mut check = match Check::new(codec_of::<M, N>(), Some(N), &mut pending, buffer) {
            Ok(check) => check,
            Err(error) => return Ok(Err(error)),
        };
        self.doubt_step();
        while let Some(frame) = check.next_frame() {
            self.spi_mut().transfer_in_place(frame)?;
            check.came_back();
        }
        self.trust_step();
        Ok(check.verdict())
    }
}

#[cfg(feature = "async")]
impl<M: ChainMap, S: embedded_hal_async::spi::SpiDevice, const N: usize> AsyncChain<M, S, N> {
    /// Checks the wiring: see [`Chain::check_wiring`].
    ///
    /// # Errors
    /// As [`Chain::check_wiring`].
    pub async fn check_wiring(&mut self, buffer: &mut [u8]) -> Result<Result<Report, WiringError>, S::Error> {
        let mut pending = [Pending::default(); N];
        let mut check = match Check::new(codec_of::<M, N>(), Some(N), &mut pending, buffer) {
            Ok(check) => check,
            Err(error) => return Ok(Err(error)),
        };
        self.doubt_step();
        while let Some(frame) = check.next_frame() {
            self.spi_mut().transfer_in_place(frame).await?;
            check.came_back();
        }
        self.trust_step();
        Ok(check.verdict())
    }
}
