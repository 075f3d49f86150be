//! Which groups are left out: the small ones, and as many others as it takes that no small one can be worked out.
//!
//! In: splits of the same infusions into groups, and how small is too small. Out: the splits without, and what was taken out.
//!
//! What a survey shows of a group are sums over its infusions. A group that is left out can be worked out from them where its
//! infusions are a sum of multiples of shown groups (all less north less east = annexe; south with one fluid and south with
//! the other = south): a question of linear algebra, answered here for all splits together.

use super::group::{Group, Grouped};
use std::collections::BTreeMap;

/// Takes the groups out. The first split is all infusions, which stays.
pub fn suppress(splits: &mut [Vec<Grouped>], smallest: Option<usize>) -> Vec<Group> {
    let Some(smallest) = smallest else {
        return Vec::new();
    };
    let mut groups: Vec<Candidate> = splits
        .iter()
        .enumerate()
        .flat_map(|(split, groups)| groups.iter().map(move |g| (split, g)))
        .map(|(split, grouped)| Candidate {
            split,
            grouped: grouped.clone(),
            size: grouped.infusions(),
            shown: split == 0 || smallest <= grouped.infusions(),
        })
        .collect();
    for split in 1..splits.len() {
        leave_no_small_rest(&mut groups, split, smallest);
    }
    while let Some(with) = worked_out(&groups, smallest) {
        let Some(candidate) = groups.get_mut(with) else {
            break;
        };
        candidate.shown = false;
    }
    let mut shown = groups.iter().map(|c| c.shown);
    for split in splits.iter_mut() {
        split.retain(|_| shown.next().unwrap_or(true));
    }
    let gone = groups.into_iter().filter(|c| !c.shown);
    gone.map(|c| c.grouped.group).collect()
}

/// A group that is shown or not.
struct Candidate {
    split: usize,
    grouped: Grouped,
    size: usize,
    shown: bool,
}

/// What a split leaves out is known together, as the rest of all infusions: it must not be small either.
fn leave_no_small_rest(groups: &mut [Candidate], split: usize, smallest: usize) {
    loop {
        let own = || groups.iter().filter(|c| c.split == split);
        let rest: usize = own().filter(|c| !c.shown).map(|c| c.size).sum();
        if rest == 0 || smallest <= rest {
            return;
        }
        let own = groups.iter_mut().filter(|c| c.split == split && c.shown);
        let Some(next) = own.min_by_key(|c| c.size) else {
            return;
        };
        next.shown = false;
    }
}

/// A shown group that helps to work out a small one: the smallest of those. `None` where no small one can be worked out, or
/// all infusions alone give it away.
fn worked_out(groups: &[Candidate], smallest: usize) -> Option<usize> {
    let shown: Vec<usize> = (0..groups.len()).filter(|&i| groups[i].shown).collect();
    let mut span = Span::default();
    for &i in &shown {
        span.add(i, row(&groups[i].grouped));
    }
    let alike = Alike::new(groups, &shown);
    let small = groups.iter().filter(|c| !c.shown && c.size < smallest);
    let helpers = small
        .filter(|c| alike.keeps_together(&c.grouped))
        .filter_map(|c| span.makes(row(&c.grouped)));
    let helpers = helpers.flatten().filter(|&i| groups[i].split != 0);
    helpers.min_by_key(|&i| groups[i].size)
}

/// Infusions that no shown group tells apart. A group that has some of them and not the others is no sum of shown ones: that
/// settles most groups quickly, a line file of each infusion's own above all.
struct Alike {
    class: Vec<usize>,
    size: Vec<usize>,
}

impl Alike {
    fn new(groups: &[Candidate], shown: &[usize]) -> Self {
        let infusions = groups.first().map_or(0, |c| c.grouped.belongs.len());
        let mut classes: BTreeMap<Vec<bool>, usize> = BTreeMap::new();
        let class: Vec<usize> = (0..infusions)
            .map(|member| {
                let pattern = shown.iter().map(|&i| groups[i].grouped.has(member));
                let next = classes.len();
                *classes.entry(pattern.collect()).or_insert(next)
            })
            .collect();
        let mut size = vec![0; classes.len()];
        class.iter().for_each(|&c| size[c] += 1);
        Self { class, size }
    }

    fn keeps_together(&self, grouped: &Grouped) -> bool {
        let mut inside: BTreeMap<usize, usize> = BTreeMap::new();
        for (&class, _) in self.class.iter().zip(&grouped.belongs).filter(|p| *p.1) {
            *inside.entry(class).or_default() += 1;
        }
        inside.iter().all(|(&class, &n)| n == self.size[class])
    }
}

/// 1 for each infusion of the group, 0 for the others.
fn row(grouped: &Grouped) -> Vec<f64> {
    grouped
        .belongs
        .iter()
        .map(|&b| f64::from(u8::from(b)))
        .collect()
}

/// Below this a number that began as 0 or 1 is 0.
const ZERO: f64 = 1e-9;

/// All sums of multiples of some rows, in echelon form.
#[derive(Default)]
struct Span {
    rows: Vec<Echelon>,
}

struct Echelon {
    pivot: usize,
    values: Vec<f64>,
    /// What it is made of: `(row's number, multiple)`.
    made_of: Vec<(usize, f64)>,
}

impl Span {
    fn add(&mut self, number: usize, values: Vec<f64>) {
        let (values, mut made_of) = self.reduced(values);
        for part in &mut made_of {
            part.1 = -part.1;
        }
        made_of.push((number, 1.0));
        let largest = |a: &(usize, &f64), b: &(usize, &f64)| a.1.abs().total_cmp(&b.1.abs());
        let Some((pivot, &at)) = values.iter().enumerate().max_by(largest) else {
            return;
        };
        if ZERO < at.abs() {
            self.rows.push(Echelon {
                pivot,
                values,
                made_of,
            });
        }
    }

    /// The numbers of the rows that a row is made of; `None` where it is not.
    fn makes(&self, values: Vec<f64>) -> Option<Vec<usize>> {
        let (left, made_of) = self.reduced(values);
        let all = left.iter().all(|v| v.abs() <= ZERO);
        let parts = made_of.into_iter().filter(|p| ZERO < p.1.abs());
        all.then(|| parts.map(|p| p.0).collect())
    }

    /// What is left of a row, and the multiples that were taken off.
    fn reduced(&self, mut values: Vec<f64>) -> (Vec<f64>, Vec<(usize, f64)>) {
        let mut made_of: Vec<(usize, f64)> = Vec::new();
        for row in &self.rows {
            let times = values[row.pivot] / row.values[row.pivot];
            if times.abs() <= ZERO {
                continue;
            }
            for (v, r) in values.iter_mut().zip(&row.values) {
                *v -= times * r;
            }
            for &(number, part) in &row.made_of {
                match made_of.iter_mut().find(|m| m.0 == number) {
                    Some(m) => m.1 += times * part,
                    None => made_of.push((number, times * part)),
                }
            }
        }
        (values, made_of)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::cohort::Cohort;
    use crate::study::group::groups;
    use crate::study::made::labelled;
    use proptest::prelude::*;

    fn cohort(rows: &[(&str, &str)]) -> Cohort {
        labelled(["unit", "fluid"], rows)
    }

    fn splits(cohort: &Cohort) -> Vec<Vec<Grouped>> {
        let all = vec![Grouped::all(cohort)];
        let columns: [&[usize]; 3] = [&[0], &[1], &[0, 1]];
        std::iter::once(all)
            .chain(columns.map(|c| groups(cohort, c)))
            .collect()
    }

    fn names(groups: &[Group]) -> Vec<String> {
        groups
            .iter()
            .map(|g| {
                let values: Vec<&str> = g.values.iter().map(|v| v.1.as_str()).collect();
                values.join(" ")
            })
            .collect()
    }

    #[test]
    fn one_small_group_takes_the_next_with_it() {
        let rows = ["n", "n", "n", "e", "e", "w"].map(|unit| (unit, ""));
        let c = cohort(&rows);
        let mut splits = vec![vec![Grouped::all(&c)], groups(&c, &[0])];
        assert_eq!(names(&suppress(&mut splits, Some(2))), ["e", "w"]);
    }

    #[test]
    fn two_small_groups_that_are_small_together_take_a_third() {
        let rows = ["n", "n", "n", "n", "e", "e", "e", "w", "s"].map(|unit| (unit, ""));
        let c = cohort(&rows);
        let mut splits = vec![vec![Grouped::all(&c)], groups(&c, &[0])];
        assert_eq!(names(&suppress(&mut splits, Some(3))), ["e", "s", "w"]);
    }

    #[test]
    fn a_group_left_out_of_one_split_is_not_given_away_by_another() {
        // The annexe goes and takes the south with it; yet the south's two fluids together are the south.
        let mut rows = vec![("north", "2"); 5];
        rows.extend([("north", "3"); 5]);
        rows.extend([("south", "2"); 4]);
        rows.extend([("south", "3"); 4]);
        rows.extend([("annexe", "2"); 2]);
        let c = cohort(&rows);
        let mut s = splits(&c);
        let gone = names(&suppress(&mut s, Some(3)));
        assert_eq!(gone, ["annexe", "south", "annexe 2", "south 2"]);
    }

    #[test]
    fn without_a_limit_and_without_a_small_group_all_are_shown() {
        let c = cohort(&[("n", "2"), ("n", "3"), ("s", "2"), ("s", "3")]);
        for smallest in [None, Some(1)] {
            let mut s = splits(&c);
            assert!(suppress(&mut s, smallest).is_empty());
            assert_eq!(s.iter().map(Vec::len).sum::<usize>(), 9);
        }
    }

    proptest! {
        #[test]
        fn no_small_group_is_a_sum_of_shown_ones(
            cells in prop::collection::vec((0usize..4, 0usize..3), 1..40),
            smallest in 2usize..6,
        ) {
            let (units, fluids) = (["n", "e", "s", "w"], ["2", "3", "l"]);
            let rows: Vec<_> = cells.iter().map(|&(u, f)| (units[u], fluids[f])).collect();
            let c = cohort(&rows);
            let before: Vec<Grouped> = splits(&c).into_iter().skip(1).flatten().collect();
            let mut s = splits(&c);
            suppress(&mut s, Some(smallest));
            let shown: Vec<&Grouped> = s.iter().flatten().collect();
            // Least squares by another library: what is not a sum leaves something over.
            let matrix = nalgebra::DMatrix::from_fn(rows.len(), shown.len(), |i, j| f64::from(u8::from(shown[j].has(i))));
            let svd = matrix.clone().svd(true, true);
            for group in before.iter().filter(|g| g.infusions() < smallest && g.infusions() < rows.len()) {
                let target = nalgebra::DVector::from_iterator(rows.len(), row(group));
                let best = svd.solve(&target, 1e-9).unwrap();
                prop_assert!(1e-6 < (&matrix * best - target).norm(), "{:?}", group.group);
            }
        }
    }
}
