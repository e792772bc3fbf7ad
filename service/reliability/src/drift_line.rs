//! A straight line through one part's readings, without help from other parts: slope, when it
//! crosses a limit, and how sure that is.
//!
//! Used to explain a single part to a technician; the risk itself uses [`crate::drift`], which
//! borrows from the branch. Sources: E. Fieller, J. Royal Stat. Soc. B 16 (1954) 175-185; N.
//! Draper & H. Smith, Applied Regression Analysis (inverse estimation).

use statrs::distribution::ContinuousCDF;

use crate::intervals::student;

/// Ordinary least squares of `y` on `t`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeastSquaresLine {
    /// Value at `t = 0`.
    pub intercept: f64,
    /// Change per unit of `t`.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Residual standard deviation.
    pub residual_sd: f64,
    /// Share of variance explained.
    pub r_squared: f64,
    mean_t: f64,
    sum_of_squares: f64,
    points: f64,
}

/// When a line crosses a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Where the fitted line meets the limit.
    pub at: f64,
    /// Standard error by the delta method.
    pub standard_error: f64,
    /// Fieller's interval; none when the slope cannot be told from zero at this level: then no
    /// drift is shown and no date may be given.
    pub interval: Option<[f64; 2]>,
}

impl LeastSquaresLine {
    /// Fits; none with fewer than three points or without spread in `t`.
    #[must_use]
    pub fn fit(points: &[(f64, f64)]) -> Option<Self> {
        let n = u32::try_from(points.len()).ok().filter(|n| *n >= 3).map(f64::from)?;
        let mean_t = points.iter().map(|p| p.0).sum::<f64>() / n;
        let mean_y = points.iter().map(|p| p.1).sum::<f64>() / n;
        let sum_of_squares: f64 = points.iter().map(|p| (p.0 - mean_t).powi(2)).sum();
        if sum_of_squares <= 0.0 {
            return None;
        }
        let cross: f64 = points.iter().map(|p| (p.0 - mean_t) * (p.1 - mean_y)).sum();
        let slope = cross / sum_of_squares;
        let intercept = mean_y - slope * mean_t;
        let residuals: f64 = points.iter().map(|p| (p.1 - intercept - slope * p.0).powi(2)).sum();
        let total: f64 = points.iter().map(|p| (p.1 - mean_y).powi(2)).sum();
        let residual_sd = (residuals / (n - 2.0)).sqrt();
        Some(Self {
            intercept,
            slope,
            slope_error: residual_sd / sum_of_squares.sqrt(),
            residual_sd,
            r_squared: if total > 0.0 { 1.0 - residuals / total } else { 0.0 },
            mean_t,
            sum_of_squares,
            points: n,
        })
    }

    fn degrees(&self) -> f64 {
        self.points - 2.0
    }

    /// When the line crosses `limit`, with Fieller's interval.
    #[must_use]
    pub fn crossing(&self, limit: f64, confidence: f64) -> Option<Crossing> {
        let t = student(self.degrees())?.inverse_cdf(0.5 + 0.5 * confidence);
        let at = (limit - self.intercept) / self.slope;
        let far = at - self.mean_t;
        let variance = self.residual_sd.powi(2);
        let standard_error = (variance * (1.0 / self.points + far * far / self.sum_of_squares))
            .sqrt()
            / self.slope.abs();
        // Roots of (slope d - y)^2 = t^2 s^2 (1/n + d^2/S) in d, the distance from the mean.
        let g = t * t * variance / (self.slope * self.slope * self.sum_of_squares);
        let interval = (g < 1.0).then(|| {
            let half = t * self.residual_sd / self.slope.abs()
                * (far * far / self.sum_of_squares + (1.0 - g) / self.points).sqrt();
            let (low, high) = ((far - half) / (1.0 - g), (far + half) / (1.0 - g));
            [self.mean_t + low, self.mean_t + high]
        });
        Some(Crossing { at, standard_error, interval })
    }

    /// Probability that a new reading at `t` lies below `limit` (predictive Student law).
    #[must_use]
    pub fn probability_reading_below(&self, limit: f64, t: f64) -> Option<f64> {
        let far = t - self.mean_t;
        let sd =
            self.residual_sd * (1.0 + 1.0 / self.points + far * far / self.sum_of_squares).sqrt();
        Some(student(self.degrees())?.cdf((limit - self.intercept - self.slope * t) / sd))
    }
}

/// Slope of the least-squares line through the origin.
#[must_use]
pub fn slope_through_origin(points: &[(f64, f64)]) -> f64 {
    let cross: f64 = points.iter().map(|(t, y)| t * y).sum();
    cross / points.iter().map(|(t, _)| t * t).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_part_has_no_bounded_crossing() {
        let line =
            LeastSquaresLine::fit(&[(0.0, 1.0), (1.0, 0.4), (2.0, 1.2), (3.0, 0.6)]).unwrap();
        assert!(line.crossing(-6.0, 0.95).unwrap().interval.is_none());
    }

    #[test]
    fn two_readings_are_too_few_for_a_line_with_errors() {
        assert!(LeastSquaresLine::fit(&[(0.0, 1.0), (1.0, 0.4)]).is_none());
    }
}
