//! Exact ratios of whole numbers.

/// An exact ratio above zero, in lowest terms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ratio {
    numerator: u32,
    denominator: u32,
}

impl Ratio {
    /// One to one.
    pub const ONE: Self = Self { numerator: 1, denominator: 1 };

    /// `numerator` to `denominator`; `None` if either is zero.
    #[must_use]
    pub const fn new(numerator: u32, denominator: u32) -> Option<Self> {
        Self::lowest(numerator as u64, denominator as u64)
    }

    /// `count` to one; `None` if it is zero.
    #[must_use]
    pub const fn whole(count: u32) -> Option<Self> {
        Self::new(count, 1)
    }

    /// Both ratios one behind the other, as with a belt behind a gear; `None` if the product's lowest terms need more
    /// than 32 bits.
    #[must_use]
    pub const fn times(self, other: Self) -> Option<Self> {
        Self::lowest(self.numerator as u64 * other.numerator as u64, self.denominator as u64 * other.denominator as u64)
    }

    /// The numerator in lowest terms.
    #[must_use]
    pub const fn numerator(self) -> u32 {
        self.numerator
    }

    /// The denominator in lowest terms.
    #[must_use]
    pub const fn denominator(self) -> u32 {
        self.denominator
    }

    const fn lowest(numerator: u64, denominator: u64) -> Option<Self> {
        match reduced(numerator as u128, denominator as u128) {
            Some((numerator, denominator)) if numerator <= u32::MAX as u128 && denominator <= u32::MAX as u128 => {
                Some(Self { numerator: numerator as u32, denominator: denominator as u32 })
            }
            _ => None,
        }
    }
}

/// Both divided by their greatest common divisor, by Euclid's algorithm; `None` if either is zero.
pub(super) const fn reduced(numerator: u128, denominator: u128) -> Option<(u128, u128)> {
    if numerator == 0 || denominator == 0 {
        return None;
    }
    let (mut divisor, mut rest) = (numerator, denominator);
    while let Some(remainder) = divisor.checked_rem(rest) {
        (divisor, rest) = (rest, remainder);
    }
    match (numerator.checked_div(divisor), denominator.checked_div(divisor)) {
        (Some(numerator), Some(denominator)) => Some((numerator, denominator)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ratio_is_kept_in_lowest_terms_and_is_never_zero() {
        assert_eq!(Ratio::new(370, 100), Ratio::new(37, 10));
        assert_eq!(Ratio::new(0, 1), None);
        assert_eq!(Ratio::new(1, 0), None);
        let product = Ratio::new(37, 10).unwrap().times(Ratio::new(20, 37).unwrap()).unwrap();
        assert_eq!((product.numerator(), product.denominator()), (2, 1));
        let greatest = Ratio::whole(u32::MAX).unwrap();
        assert_eq!(greatest.times(greatest), None);
    }
}
