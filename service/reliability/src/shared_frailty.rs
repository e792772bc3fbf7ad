//! Log likelihood of Weibull lifetimes that share a frailty within groups, with exact first and
//! second derivatives.
//!
//! ```text
//! h(t | u) = u * exp(x beta) * (k / eta) * (t / eta)^(k - 1)
//! group:  log E[prod of ends] - log E[exp(-u H(entry))]
//! ```
//! The frailty is gamma (closed form), or log-normal (see [`crate::frailty_law::FrailtyLaw`]).
//! Every class of unit has its own `eta` and `k`; `beta` and the frailty variance are shared.
//! Entry ages condition the whole group together: a group is in the records only because all its
//! units had survived to their entry ages. An interval end contributes
//! `exp(-u H(after)) - exp(-u H(by))`; multiplied out over the units of a group this is a signed
//! sum over the corners of a box, each corner in closed form, so there is no EM and no
//! approximation of the frailty.
//!
//! # Numerics
//! Corners cancel when intervals are narrow. An interval whose cumulative hazard is below
//! `NARROW` counts as a failure at its middle with hazard mass `H(by) - H(after)`; the relative
//! error is `(u * mass)^2 / 24`, below 1e-6. Beyond `MOST_CORNER_INTERVALS` intervals in one group
//! the narrowest are treated so.
//!
//! # Sources
//! P. Hougaard, Analysis of Multivariate Survival Data, Springer 2000; L. Duchateau & P. Janssen,
//! The Frailty Model, Springer 2008; K. Goethals et al., J. Agric. Biol. Environ. Stat. 14 (2009)
//! 1-14 (interval ends).

mod corners;
mod derivatives;
mod evaluate;
mod grouped;
mod layout;
mod work;

pub use grouped::{GroupedLifetimes, GroupedUnit};
pub use layout::Layout;
