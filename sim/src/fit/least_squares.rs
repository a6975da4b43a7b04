//! Least squares: positive constants that bring a curve nearest to points, and how far the points settle them.
//!
//! The search is that of the crate `levenberg-marquardt`, over the logarithms of the constants, which keeps them positive and
//! of one size. What the points settle comes from the Jacobian J at the solution: the covariance is s²·(JᵀJ)⁻¹ with s² the
//! sum of squares over the degrees of freedom (any text on nonlinear regression). Knows no motor.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn};

use super::student;

/// A curve beside the points that it should meet.
pub(super) trait Curve {
    /// What the curve gives at each point, less what was measured there; the constants are above zero.
    fn residuals(&self, constants: &[f64]) -> DVector<f64>;

    /// Their derivatives: a row for each point, a column for each constant.
    fn jacobian(&self, constants: &[f64]) -> DMatrix<f64>;
}

/// What a search found.
#[derive(Clone, Debug)]
pub(super) struct Estimate {
    /// The constants.
    pub(super) constants: Vec<f64>,
    /// Curve less measurement, at each point.
    pub(super) residuals: DVector<f64>,
    /// Derivatives of the residuals at the solution.
    pub(super) jacobian: DMatrix<f64>,
    /// (JᵀJ)⁻¹; `None` where the derivatives do not even differ in the arithmetic.
    pub(super) spread: Option<DMatrix<f64>>,
    /// The direction, in shares of each constant and of length 1, that the points settle least.
    pub(super) least_settled: Vec<f64>,
}

/// Singular values below this share of the greatest are rounding.
const ROUNDING: f64 = 1e-11;

struct Search<'a, C> {
    curve: &'a C,
    start: &'a [f64],
    logarithms: DVector<f64>,
}

impl<C> Search<'_, C> {
    fn constants(&self) -> Vec<f64> {
        self.start.iter().zip(&self.logarithms).map(|(start, logarithm)| start * libm::exp(*logarithm)).collect()
    }
}

impl<C: Curve> LeastSquaresProblem<f64, Dyn, Dyn> for Search<'_, C> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, logarithms: &DVector<f64>) {
        self.logarithms.copy_from(logarithms);
    }

    fn params(&self) -> DVector<f64> {
        self.logarithms.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some(self.curve.residuals(&self.constants()))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let constants = self.constants();
        Some(in_shares(self.curve.jacobian(&constants), &constants))
    }
}

/// Derivatives by shares of the constants instead of by the constants.
fn in_shares(mut jacobian: DMatrix<f64>, constants: &[f64]) -> DMatrix<f64> {
    for (mut column, &constant) in jacobian.column_iter_mut().zip(constants) {
        column *= constant;
    }
    jacobian
}

/// Searches from one start; `None` if that leads nowhere.
pub(super) fn search(curve: &impl Curve, start: &[f64]) -> Option<Estimate> {
    let search = Search { curve, start, logarithms: DVector::zeros(start.len()) };
    let (search, report) = LevenbergMarquardt::new().minimize(search);
    let constants = search.constants();
    // What cannot be settled also ends without success; the derivatives tell that better.
    let fine = constants.iter().all(|constant| constant.is_normal()) && report.objective_function.is_finite();
    fine.then(|| Estimate::at(curve, constants))
}

impl Estimate {
    fn at(curve: &impl Curve, constants: Vec<f64>) -> Self {
        let jacobian = curve.jacobian(&constants);
        let svd = in_shares(jacobian.clone(), &constants).svd(false, true);
        let count = constants.len();
        let greatest = svd.singular_values.max();
        let least = svd.singular_values.imin();
        let turned = svd.v_t.unwrap_or_else(|| DMatrix::identity(count, count));
        let full = svd.singular_values.len() == count && svd.singular_values.min() > ROUNDING * greatest;
        let spread = full.then(|| {
            let entry = |row: usize, column: usize| {
                let parts =
                    svd.singular_values.iter().enumerate().map(|(index, singular)| {
                        turned[(index, row)] * turned[(index, column)] / (singular * singular)
                    });
                parts.sum::<f64>() * constants[row] * constants[column]
            };
            DMatrix::from_fn(count, count, entry)
        });
        Self {
            residuals: curve.residuals(&constants),
            least_settled: turned.row(least).iter().copied().collect(),
            jacobian,
            spread,
            constants,
        }
    }

    pub(super) fn sum_of_squares(&self) -> f64 {
        self.residuals.norm_squared()
    }

    /// Points beyond those that settle the constants.
    pub(super) fn freedom(&self) -> usize {
        self.residuals.len().saturating_sub(self.constants.len())
    }

    /// Variance of one measurement, as the residuals show it; zero without a degree of freedom.
    pub(super) fn variance(&self) -> f64 {
        self.sum_of_squares() / self.freedom().max(1) as f64
    }

    /// Root mean square of the residuals.
    pub(super) fn rms(&self) -> f64 {
        libm::sqrt(self.sum_of_squares() / self.residuals.len().max(1) as f64)
    }

    /// Standard error of a constant; infinite where nothing settles it.
    pub(super) fn standard_error(&self, index: usize) -> f64 {
        self.spread.as_ref().map_or(f64::INFINITY, |spread| libm::sqrt(self.variance() * spread[(index, index)]))
    }

    /// How far from a constant its interval of confidence reaches, to either side.
    pub(super) fn reach(&self, index: usize, confidence: f64) -> f64 {
        student::quantile(confidence, self.freedom()) * self.standard_error(index)
    }

    /// Share by which a constant is off if every measurement is off by one part of `size`, independently: how much the points
    /// magnify errors, whatever the errors are.
    pub(super) fn magnification(&self, index: usize, size: f64) -> f64 {
        let spread = self.spread.as_ref().map_or(f64::INFINITY, |spread| spread[(index, index)]);
        libm::sqrt(spread) * size / self.constants[index]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Misra1a;

    const MISRA1A: [(f64, f64); 14] = [
        (10.07, 77.6),
        (14.73, 114.9),
        (17.94, 141.1),
        (23.93, 190.8),
        (29.61, 239.9),
        (35.18, 289.0),
        (40.02, 332.8),
        (44.82, 378.4),
        (50.76, 434.8),
        (55.05, 477.3),
        (61.01, 536.8),
        (66.40, 593.1),
        (75.47, 689.1),
        (81.78, 760.0),
    ];

    impl Curve for Misra1a {
        fn residuals(&self, c: &[f64]) -> DVector<f64> {
            DVector::from_iterator(14, MISRA1A.iter().map(|(y, x)| c[0] * (1.0 - libm::exp(-c[1] * x)) - y))
        }

        fn jacobian(&self, c: &[f64]) -> DMatrix<f64> {
            DMatrix::from_fn(14, 2, |row, column| {
                let x = MISRA1A[row].1;
                let fallen = libm::exp(-c[1] * x);
                if column == 0 { 1.0 - fallen } else { c[0] * x * fallen }
            })
        }
    }

    /// NIST Statistical Reference Datasets, nonlinear regression, Misra1a: data and certified values from memory; that eleven
    /// digits meet shows that both are remembered well.
    #[test]
    fn the_reference_data_of_nist_give_the_certified_values() {
        for start in [[500.0, 1e-4], [250.0, 5e-4]] {
            let found = search(&Misra1a, &start).unwrap();
            let certified = [
                (found.constants[0], 2.389_421_291_8e2),
                (found.constants[1], 5.501_564_318_1e-4),
                (found.standard_error(0), 2.707_007_524_1),
                (found.standard_error(1), 7.266_868_843_6e-6),
                (found.sum_of_squares(), 1.245_513_889_4e-1),
                (libm::sqrt(found.variance()), 1.018_787_633_0e-1),
            ];
            for (found, certified) in certified {
                assert!((found / certified - 1.0).abs() < 1e-7, "{found}, not {certified}, from {start:?}");
            }
            assert_eq!(found.freedom(), 12);
        }
    }

    /// y = (a·b)·x: only the product counts.
    struct Product;

    impl Curve for Product {
        fn residuals(&self, c: &[f64]) -> DVector<f64> {
            DVector::from_fn(5, |row, _| (c[0] * c[1] - 6.0) * (row as f64 + 1.0))
        }

        fn jacobian(&self, c: &[f64]) -> DMatrix<f64> {
            DMatrix::from_fn(5, 2, |row, column| c[1 - column] * (row as f64 + 1.0))
        }
    }

    #[test]
    fn constants_that_only_count_together_are_not_settled() {
        let found = search(&Product, &[1.0, 1.0]).unwrap();
        assert!((found.constants[0] * found.constants[1] - 6.0).abs() < 1e-9, "{found:?}");
        assert!(found.spread.is_none() && found.magnification(0, 1.0).is_infinite());
        // One grows by the share by which the other shrinks.
        assert!((found.least_settled[0] + found.least_settled[1]).abs() < 1e-9, "{found:?}");
    }
}
