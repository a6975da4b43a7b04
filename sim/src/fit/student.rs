//! Student's t: how wide an interval must be that so many degrees of freedom may be trusted with.
//!
//! The distribution function has a finite sum for whole degrees of freedom (Abramowitz and Stegun, *Handbook of Mathematical
//! Functions*, 26.7.3 and 26.7.4; from memory), so no table and no iteration is in it.

/// Probability that |t| stays below `t`, not negative, with `freedom` degrees of freedom, at least one.
fn within(t: f64, freedom: usize) -> f64 {
    let angle = libm::atan(t / libm::sqrt(freedom as f64));
    let (sin, cos) = libm::sincos(angle);
    // 1 + ½·cos² + (1·3)/(2·4)·cos⁴ + …, or for odd ones cos + (2/3)·cos³ + (2·4)/(3·5)·cos⁵ + …
    let odd = freedom % 2 == 1;
    let mut term = if odd { cos } else { 1.0 };
    let mut sum = 0.0;
    for index in 0..freedom / 2 {
        sum += term;
        let least = 2.0 * index as f64 + if odd { 2.0 } else { 1.0 };
        term *= cos * cos * least / (least + 1.0);
    }
    if odd { core::f64::consts::FRAC_2_PI * (angle + sin * sum) } else { sin * sum }
}

/// The t below which |t| stays with a probability between 0 and 1; infinite without a degree of freedom.
pub(super) fn quantile(probability: f64, freedom: usize) -> f64 {
    if freedom == 0 {
        return f64::INFINITY;
    }
    let (mut below, mut above) = (0.0, 1.0);
    while within(above, freedom) < probability && above < 1e12 {
        above *= 2.0;
    }
    for _ in 0..80 {
        let middle = 0.5 * (below + above);
        if within(middle, freedom) < probability { below = middle } else { above = middle }
    }
    above
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table of any text on statistics, two-sided, from memory.
    #[test]
    fn the_quantiles_are_those_of_the_printed_table() {
        let printed = [
            (0.95, 1, 12.706),
            (0.95, 2, 4.303),
            (0.95, 3, 3.182),
            (0.95, 5, 2.571),
            (0.95, 10, 2.228),
            (0.95, 30, 2.042),
            (0.95, 120, 1.980),
            (0.99, 1, 63.657),
            (0.99, 10, 3.169),
            (0.5, 1, 1.000),
            (0.5, 10, 0.700),
        ];
        for (probability, freedom, expected) in printed {
            let found = quantile(probability, freedom);
            assert!((found - expected).abs() < 6e-4, "{found}, not {expected}, for {probability} and {freedom}");
        }
        assert_eq!(quantile(0.95, 0), f64::INFINITY);
    }

    /// The density, (1 + t²/ν)^(−(ν+1)/2) but for a factor, as a sum over narrow strips.
    #[test]
    fn the_distribution_is_the_area_under_its_density() {
        for freedom in [1_usize, 2, 7, 12] {
            let nu = freedom as f64;
            let density = |t: f64| libm::pow(1.0 + t * t / nu, -0.5 * (nu + 1.0));
            let area = |to: f64| {
                let width = to / 200_000.0;
                (0..200_000).map(|strip| density((f64::from(strip) + 0.5) * width)).sum::<f64>() * width
            };
            // ∫₀^∞ of the density is √(νπ)·Γ(ν/2)/(2·Γ((ν + 1)/2)).
            let whole =
                0.5 * libm::sqrt(nu * core::f64::consts::PI) * libm::tgamma(0.5 * nu) / libm::tgamma(0.5 * (nu + 1.0));
            for t in [0.3, 1.0, 2.5] {
                let (found, expected) = (within(t, freedom), area(t) / whole);
                assert!((found - expected).abs() < 1e-8, "{found}, not {expected}, at {t} with {freedom}");
            }
        }
    }
}
