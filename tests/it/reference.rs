//! Reads the values of other libraries and the data that they were made from (`tests/it/data`, see the README there).

use std::collections::BTreeMap;
use std::path::Path;

/// `name,value` of every judge.
pub struct Reference(BTreeMap<String, f64>);

impl Reference {
    pub fn read() -> Self {
        let mut values = BTreeMap::new();
        for file in ["reference-python.csv", "reference-r.csv"] {
            for row in table(file) {
                values.insert(row["name"].clone(), number(&row, "value"));
            }
        }
        assert!(200 < values.len());
        Self(values)
    }

    pub fn get(&self, name: &str) -> f64 {
        *self
            .0
            .get(name)
            .unwrap_or_else(|| panic!("no reference value `{name}`"))
    }

    /// The part of each name that begins with this after it, with its value.
    pub fn under<'a>(&'a self, prefix: &'a str) -> impl Iterator<Item = (&'a str, f64)> {
        self.0
            .iter()
            .filter_map(move |(name, &value)| Some((name.strip_prefix(prefix)?, value)))
    }

    /// Fails unless `found` equals the judge's value to this relative tolerance.
    pub fn agrees(&self, name: &str, found: f64, tolerance: f64) {
        let expected = self.get(name);
        assert!(
            (found - expected).abs() <= tolerance * expected.abs().max(1e-9),
            "{name}: found {found:.12}, the judge has {expected:.12}"
        );
    }
}

pub type Cells = BTreeMap<String, String>;

/// The rows of a file of `tests/it/data`, by header.
pub fn table(file: &str) -> Vec<Cells> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/it/data")
        .join(file);
    let mut reader = csv::Reader::from_path(&path).unwrap();
    let headers = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            headers
                .iter()
                .zip(row.iter())
                .map(|(h, c)| (h.to_string(), c.to_string()))
                .collect()
        })
        .collect()
}

pub fn number(row: &Cells, column: &str) -> f64 {
    row[column].parse().unwrap()
}
