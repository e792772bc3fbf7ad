//! How many failures, and what a truck must carry.
//!
//! Given the season's heat and the frailty of every site, parts fail independently and the count
//! is Poisson-binomial (Y. Hong, Comput. Stat. Data Anal. 59 (2013) 41-51). Heat is shared by
//! all parts and frailty by the parts of a site, so the count is that law mixed over both; the
//! law of the mean probabilities alone runs short in hot years.

mod counts;
mod demand;
mod load_list;
mod site_counts;
mod substitution;
mod uncovered;

pub use counts::{
    expected_shortage, fill_rate, gamma_mixed_poisson_counts, poisson_binomial, poisson_counts,
    shortage_probability, smallest_stock,
};
pub use load_list::{LoadLine, LoadList, PartNeed, StockError, load_list};
pub use substitution::Substitution;
pub use uncovered::uncovered;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use hotspell_domain::SiteId;

    use super::site_counts::{site_counts, sliced_counts};
    use super::*;
    use crate::gamma_mixture::FrailtyPosterior;

    const EVEN: FrailtyPosterior = FrailtyPosterior { shape: f64::INFINITY, rate: f64::INFINITY };

    fn need(site: i64, wanted: usize, masses: &[f64], frailty: FrailtyPosterior) -> PartNeed {
        PartNeed {
            site: SiteId(site),
            wanted,
            frailty,
            hazard_mass: masses.to_vec(),
            other_risk: vec![0.0; masses.len()],
        }
    }

    #[test]
    fn certain_needs_of_two_kinds_do_not_fill_the_truck_with_a_third() {
        let unlikely: Vec<PartNeed> = (0..9).map(|site| need(site, 0, &[1e-4], EVEN)).collect();
        let certain = |wanted| PartNeed {
            other_risk: vec![f64::INFINITY],
            ..need(20, wanted, &[1e-4], EVEN)
        };
        let needs: Vec<PartNeed> = unlikely.into_iter().chain([certain(1), certain(2)]).collect();
        let own = Substitution::from_rule(3, 3, |wanted, carried| wanted == carried);
        let list = load_list(&needs, &own, 0.05).unwrap();
        let quantities: Vec<usize> = list.lines.iter().map(|line| line.quantity).collect();
        assert_eq!(quantities, [0, 1, 1]);
    }

    fn voltages() -> Substitution {
        // 0: 370 V, 1: 440 V, 2: 370/440 V.
        Substitution::from_rule(3, 3, |wanted, carried| wanted == 0 || carried >= 1)
    }

    #[test]
    fn every_voltage_is_served_by_one_kind_that_fits_all() {
        let needs: Vec<PartNeed> =
            (0..30).map(|i| need(i64::from(i), (i % 2) as usize, &[0.1], EVEN)).collect();
        let list = load_list(&needs, &voltages(), 0.05).unwrap();
        assert_eq!(list.lines.len(), 1);
        assert_eq!(list.lines[0].serves, vec![0, 1]);
        assert!(list.chance_of_missing <= 0.05 && list.unserved.is_empty());
    }

    #[test]
    fn a_hot_year_needs_more_than_the_mean_says() {
        // One path in five is hot: five times the hazard.
        let masses = [0.05, 0.05, 0.05, 0.05, 0.25];
        let needs: Vec<PartNeed> = (0..60).map(|i| need(i, 0, &masses, EVEN)).collect();
        let list = load_list(&needs, &voltages(), 0.05).unwrap();
        assert!(list.chance_if_unmixed < 0.005, "{}", list.chance_if_unmixed);
        let unmixed_stock = {
            let mean = masses.iter().map(|m| 1.0 - f64::exp(-m)).sum::<f64>() / 5.0;
            smallest_stock(&poisson_binomial(&[mean; 60]), 0.05)
        };
        assert!(list.lines[0].quantity > unmixed_stock + 3);
    }

    #[test]
    fn a_part_to_be_replaced_anyway_is_always_on_the_truck() {
        let mut sure = need(1, 0, &[0.0, 0.0], EVEN);
        sure.other_risk = vec![f64::INFINITY; 2];
        let list = load_list(&[sure], &voltages(), 0.05).unwrap();
        assert_eq!(list.lines[0].quantity, 1);
        assert!(list.chance_of_missing < 1e-12);
    }

    #[test]
    fn a_kind_that_nothing_fits_is_named() {
        let none = Substitution::from_rule(1, 1, |_, _| false);
        let list = load_list(&[need(1, 0, &[0.1], EVEN)], &none, 0.05).unwrap();
        assert_eq!(list.unserved, vec![0]);
    }

    proptest! {
        #[test]
        fn subsets_and_slices_of_the_frailty_agree(
            masses in proptest::collection::vec(0.01_f64..0.6, 1..6),
            variance in 0.1_f64..1.0,
        ) {
            let frailty = FrailtyPosterior::new(variance, 0.0, 0.2);
            let needs: Vec<PartNeed> =
                masses.iter().map(|m| need(1, 0, &[*m], frailty)).collect();
            let parts: Vec<&PartNeed> = needs.iter().collect();
            let exact = site_counts(&parts, 0);
            let sliced = sliced_counts(&parts, 0);
            prop_assert!((exact.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            for (a, b) in exact.iter().zip(&sliced) {
                prop_assert!((a - b).abs() < 4e-3, "{exact:?} {sliced:?}");
            }
        }

        #[test]
        fn the_smallest_stock_meets_the_bound_and_one_less_does_not(
            ps in proptest::collection::vec(0.0_f64..1.0, 1..20), bound in 0.001_f64..0.5,
        ) {
            let pmf = poisson_binomial(&ps);
            let stock = smallest_stock(&pmf, bound);
            prop_assert!(shortage_probability(&pmf, stock) <= bound + 1e-15);
            if stock > 0 {
                prop_assert!(shortage_probability(&pmf, stock - 1) > bound);
            }
        }
    }
}
