//! Groups of infusions: by a column of `infusions.csv`, or by a combination of columns.

use super::cohort::Cohort;

/// The infusions that share these values; no pair = all infusions.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Group {
    /// `(column, value)`, in the order of the columns asked for.
    pub values: Vec<(String, String)>,
}

impl Group {
    /// Whether this is all infusions.
    pub fn is_all(&self) -> bool {
        self.values.is_empty()
    }
}

/// A group and the numbers of its members.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Grouped {
    /// Which group.
    pub group: Group,
    /// For each member of the cohort, whether it belongs.
    pub belongs: Vec<bool>,
}

impl Grouped {
    /// All members.
    pub fn all(cohort: &Cohort) -> Self {
        Self {
            group: Group::default(),
            belongs: vec![true; cohort.members.len()],
        }
    }

    /// Whether the member of this number belongs.
    pub fn has(&self, member: usize) -> bool {
        self.belongs.get(member).copied().unwrap_or(false)
    }

    /// Number of infusions.
    pub fn infusions(&self) -> usize {
        self.belongs.iter().filter(|&&b| b).count()
    }
}

/// Values in the order a reader expects: numbers by size, other text by alphabet, the empty one last.
pub fn levels(cohort: &Cohort, column: usize) -> Vec<String> {
    let mut levels: Vec<String> = cohort
        .members
        .iter()
        .map(|m| m.label(column).to_string())
        .collect();
    levels.sort_by(|a, b| {
        let number = |text: &str| text.parse::<f64>().ok().filter(|x| x.is_finite());
        let empty = a.is_empty().cmp(&b.is_empty());
        empty.then_with(|| match (number(a), number(b)) {
            (Some(x), Some(y)) => x.total_cmp(&y).then_with(|| a.cmp(b)),
            (Some(_), None) => std::cmp::Ordering::Less,
            (None, Some(_)) => std::cmp::Ordering::Greater,
            (None, None) => a.cmp(b),
        })
    });
    levels.dedup();
    levels
}

/// The groups that these columns form together: every combination of values that occurs.
pub fn groups(cohort: &Cohort, columns: &[usize]) -> Vec<Grouped> {
    let mut found = vec![Grouped::all(cohort)];
    for &column in columns {
        let name = cohort.columns.get(column).cloned().unwrap_or_default();
        let levels = levels(cohort, column);
        let split = |whole: Grouped| {
            let name = name.clone();
            levels.iter().map(move |level| {
                let mut values = whole.group.values.clone();
                values.push((name.clone(), level.clone()));
                let belongs = whole.belongs.iter().zip(&cohort.members);
                Grouped {
                    group: Group { values },
                    belongs: belongs
                        .map(|(&b, m)| b && m.label(column) == level)
                        .collect(),
                }
            })
        };
        found = found
            .into_iter()
            .flat_map(split)
            .filter(|g| 0 < g.infusions())
            .collect();
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::made::labelled;

    fn cohort(rows: &[(&str, &str)]) -> Cohort {
        labelled(["unit", "pore"], rows)
    }

    #[test]
    fn values_stand_in_the_order_a_reader_expects() {
        let c = cohort(&[("north", "10"), ("", "1.2"), ("east", "0.2"), ("north", "")]);
        assert_eq!(levels(&c, 0), ["east", "north", ""]);
        assert_eq!(levels(&c, 1), ["0.2", "1.2", "10", ""]);
    }

    #[test]
    fn a_combination_has_only_the_groups_that_occur() {
        let c = cohort(&[
            ("north", "1.2"),
            ("north", "0.2"),
            ("east", "1.2"),
            ("north", "1.2"),
        ]);
        let found: Vec<(String, usize)> = groups(&c, &[0, 1])
            .iter()
            .map(|g| {
                let values: Vec<_> = g.group.values.iter().map(|v| v.1.clone()).collect();
                (values.join(" "), g.infusions())
            })
            .collect();
        assert_eq!(
            found,
            [
                ("east 1.2".into(), 1),
                ("north 0.2".into(), 1),
                ("north 1.2".into(), 2)
            ]
        );
    }
}
