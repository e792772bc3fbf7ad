//! Small dense symmetric matrices: what a fit of ten to forty parameters needs and no more.

use serde::{Deserialize, Serialize};

/// A square matrix in row-major order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Matrix {
    size: usize,
    values: Vec<f64>,
}

impl Matrix {
    /// All zeros.
    #[must_use]
    pub fn zeros(size: usize) -> Self {
        Self { size, values: vec![0.0; size * size] }
    }

    /// Number of rows.
    #[must_use]
    pub fn size(&self) -> usize {
        self.size
    }

    /// One element.
    #[must_use]
    pub fn get(&self, row: usize, column: usize) -> f64 {
        self.values[row * self.size + column]
    }

    /// Sets one element.
    pub fn set(&mut self, row: usize, column: usize, value: f64) {
        self.values[row * self.size + column] = value;
    }

    /// Adds to one element.
    pub fn add(&mut self, row: usize, column: usize, value: f64) {
        self.values[row * self.size + column] += value;
    }

    /// Adds another matrix of the same size.
    pub fn add_matrix(&mut self, other: &Self) {
        for (mine, theirs) in self.values.iter_mut().zip(&other.values) {
            *mine += theirs;
        }
    }

    /// Adds `weight * left right'`.
    pub fn add_outer(&mut self, weight: f64, left: &[f64], right: &[f64]) {
        for (row, l) in self.values.chunks_exact_mut(self.size).zip(left) {
            let scaled = weight * l;
            for (cell, r) in row.iter_mut().zip(right) {
                *cell += scaled * r;
            }
        }
    }

    /// Every element with its sign changed, as an information is the negated Hessian.
    #[must_use]
    pub fn negated(&self) -> Self {
        Self { size: self.size, values: self.values.iter().map(|value| -value).collect() }
    }

    /// The diagonal.
    pub fn diagonal(&self) -> impl Iterator<Item = f64> + '_ {
        (0..self.size).map(|i| self.get(i, i))
    }

    /// The rows as vectors.
    #[must_use]
    pub fn rows(&self) -> Vec<Vec<f64>> {
        self.values.chunks_exact(self.size.max(1)).map(<[f64]>::to_vec).collect()
    }

    /// Product with a vector.
    #[must_use]
    pub fn times(&self, vector: &[f64]) -> Vec<f64> {
        self.values
            .chunks_exact(self.size.max(1))
            .map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum())
            .collect()
    }

    /// `left' M right`.
    #[must_use]
    pub fn quadratic_form(&self, left: &[f64], right: &[f64]) -> f64 {
        self.times(right).iter().zip(left).map(|(a, b)| a * b).sum()
    }

    /// The rows and columns named in `kept`, in that order.
    #[must_use]
    pub fn submatrix(&self, kept: &[usize]) -> Self {
        let mut small = Self::zeros(kept.len());
        for (i, &row) in kept.iter().enumerate() {
            for (j, &column) in kept.iter().enumerate() {
                small.set(i, j, self.get(row, column));
            }
        }
        small
    }

    /// `L M L'` for the linear map whose rows are `map` (delta method, change of coordinates).
    #[must_use]
    pub fn mapped(&self, map: &[Vec<f64>]) -> Self {
        let mut result = Self::zeros(map.len());
        for (i, left) in map.iter().enumerate() {
            for (j, right) in map.iter().enumerate() {
                result.set(i, j, self.quadratic_form(left, right));
            }
        }
        result
    }

    /// Cholesky factor of a positive definite matrix; `None` if it is not.
    ///
    /// A pivot that lost thirteen digits counts as zero, so that a direction which the data do not
    /// determine is reported instead of inverted into noise.
    #[must_use]
    pub fn cholesky(&self) -> Option<Cholesky> {
        let n = self.size;
        let mut lower = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| lower[i * n + k] * lower[j * n + k]).sum();
                let rest = self.get(i, j) - dot;
                if i == j {
                    if !(rest > 1e-13 * self.get(i, i).abs() && rest.is_finite()) {
                        return None;
                    }
                    lower[i * n + i] = rest.sqrt();
                } else {
                    lower[i * n + j] = rest / lower[j * n + j];
                }
            }
        }
        Some(Cholesky { size: n, lower })
    }

    /// Inverse of a positive definite matrix; `None` if it is not.
    #[must_use]
    pub fn inverse(&self) -> Option<Self> {
        let factor = self.cholesky()?;
        let mut inverse = Self::zeros(self.size);
        for column in 0..self.size {
            let mut unit = vec![0.0; self.size];
            unit[column] = 1.0;
            for (row, value) in factor.solve(&unit).into_iter().enumerate() {
                inverse.set(row, column, value);
            }
        }
        Some(inverse)
    }
}

/// Lower factor `L` with `L L' = M`.
#[derive(Debug, Clone)]
pub struct Cholesky {
    size: usize,
    lower: Vec<f64>,
}

impl Cholesky {
    /// Solves `M x = right`.
    #[must_use]
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let n = self.size;
        let mut x = right.to_vec();
        for i in 0..n {
            let dot: f64 = (0..i).map(|k| self.lower[i * n + k] * x[k]).sum();
            x[i] = (x[i] - dot) / self.lower[i * n + i];
        }
        for i in (0..n).rev() {
            let dot: f64 = (i + 1..n).map(|k| self.lower[k * n + i] * x[k]).sum();
            x[i] = (x[i] - dot) / self.lower[i * n + i];
        }
        x
    }

    /// `L z`: turns independent standard normals into draws with covariance `M`.
    #[must_use]
    pub fn times_lower(&self, z: &[f64]) -> Vec<f64> {
        let n = self.size;
        (0..n).map(|i| (0..=i).map(|k| self.lower[i * n + k] * z[k]).sum()).collect()
    }

    /// Natural logarithm of the determinant of `M`.
    #[must_use]
    pub fn log_determinant(&self) -> f64 {
        (0..self.size).map(|i| 2.0 * self.lower[i * self.size + i].ln()).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_positive_definite_matrix_times_its_inverse_is_the_identity() {
        let mut m = Matrix::zeros(3);
        for (i, row) in [[4.0, 1.0, 0.5], [1.0, 3.0, 0.2], [0.5, 0.2, 2.0]].iter().enumerate() {
            for (j, value) in row.iter().enumerate() {
                m.set(i, j, *value);
            }
        }
        let inverse = m.inverse().unwrap();
        for i in 0..3 {
            let column: Vec<f64> = (0..3).map(|k| inverse.get(k, i)).collect();
            for (j, value) in m.times(&column).into_iter().enumerate() {
                assert!((value - f64::from(u8::from(i == j))).abs() < 1e-14);
            }
        }
    }

    #[test]
    fn a_direction_without_information_is_refused() {
        let mut m = Matrix::zeros(2);
        m.add_outer(1.0, &[1.0, 2.0], &[1.0, 2.0]);
        assert!(m.inverse().is_none());
    }
}
