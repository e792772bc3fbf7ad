//! What a loaded truck lacks of what is needed now.

use super::Substitution;

/// How many of each needed kind the loaded pieces leave open, when they are shared out as well as can
/// be: a piece serves one need, of a kind into which it fits.
///
/// `needed[w]` pieces of each wanted kind, `loaded[c]` of each carried kind, as the rule numbers them.
/// The sum is the smallest possible (a largest matching, found by augmenting paths).
#[must_use]
pub fn uncovered(needed: &[usize], loaded: &[usize], rule: &Substitution) -> Vec<usize> {
    let mut left = loaded.to_vec();
    // given[c][w]: pieces of the carried kind that serve the wanted kind.
    let mut given = vec![vec![0_usize; needed.len()]; loaded.len()];
    let mut open = needed.to_vec();
    for (wanted, open) in open.iter_mut().enumerate() {
        while *open > 0
            && serve(wanted, &mut left, &mut given, rule, &mut vec![false; loaded.len()])
        {
            *open -= 1;
        }
    }
    open
}

/// Finds one piece for a wanted kind, if need be by giving an earlier one another piece.
fn serve(
    wanted: usize,
    left: &mut [usize],
    given: &mut [Vec<usize>],
    rule: &Substitution,
    tried: &mut [bool],
) -> bool {
    for carried in 0..left.len() {
        let fits = rule.fits.get(wanted).and_then(|row| row.get(carried)) == Some(&true);
        if !fits || std::mem::replace(&mut tried[carried], true) {
            continue;
        }
        if left[carried] > 0 {
            left[carried] -= 1;
            given[carried][wanted] += 1;
            return true;
        }
        for other in 0..given[carried].len() {
            if given[carried][other] > 0 && serve(other, left, given, rule, tried) {
                given[carried][other] -= 1;
                given[carried][wanted] += 1;
                return true;
            }
        }
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_can_for_both_voltages_goes_where_nothing_else_fits() {
        // Wanted 370 V and 440 V; carried 440 V (serves both) and 370 V (serves its own).
        let rule = Substitution { fits: vec![vec![true, true], vec![true, false]] };
        assert_eq!(uncovered(&[1, 1], &[1, 1], &rule), [0, 0]);
        assert_eq!(uncovered(&[0, 2], &[1, 1], &rule), [0, 1]);
        assert_eq!(uncovered(&[2, 0], &[1, 1], &rule), [0, 0]);
        assert_eq!(uncovered(&[1, 2], &[], &Substitution { fits: vec![vec![], vec![]] }), [1, 2]);
    }

    proptest! {
        #[test]
        fn no_sharing_out_leaves_less_open(
            needed in prop::collection::vec(0_usize..3, 3),
            loaded in prop::collection::vec(0_usize..3, 3),
            fits in prop::collection::vec(prop::collection::vec(any::<bool>(), 3), 3),
        ) {
            let rule = Substitution { fits };
            let open: usize = uncovered(&needed, &loaded, &rule).iter().sum();
            prop_assert_eq!(open, fewest_open(&needed, &loaded, &rule));
        }
    }

    /// Hall's theorem in its form with a deficiency: the most that any set of wanted kinds lacks.
    fn fewest_open(needed: &[usize], loaded: &[usize], rule: &Substitution) -> usize {
        (0..1_usize << needed.len())
            .map(|set| {
                let inside = |wanted: &usize| set >> wanted & 1 == 1;
                let asked: usize = (0..needed.len()).filter(inside).map(|it| needed[it]).sum();
                let there: usize = (0..loaded.len())
                    .filter(|carried| {
                        (0..needed.len()).filter(inside).any(|it| rule.fits[it][*carried])
                    })
                    .map(|carried| loaded[carried])
                    .sum();
                asked.saturating_sub(there)
            })
            .max()
            .unwrap_or(0)
    }
}
