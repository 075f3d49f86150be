//! Thins long columns for drawing, keeping every extreme.

/// Points `(x, y)` sorted by x, x in pixels: of each pixel column the first, lowest, highest and last point, in
/// order. A point that is not finite breaks the line: each run of finite points is a piece of its own.
pub fn pieces(points: impl Iterator<Item = (f64, f64)>) -> Vec<Vec<(f64, f64)>> {
    let mut pieces = Vec::new();
    let mut piece: Vec<(f64, f64)> = Vec::new();
    let mut column: Vec<(f64, f64)> = Vec::new();
    for point in points {
        if !(point.0.is_finite() && point.1.is_finite()) {
            thin(&mut column, &mut piece);
            if !piece.is_empty() {
                pieces.push(std::mem::take(&mut piece));
            }
            continue;
        }
        if column
            .last()
            .is_some_and(|last| last.0.floor() < point.0.floor())
        {
            thin(&mut column, &mut piece);
        }
        column.push(point);
    }
    thin(&mut column, &mut piece);
    if !piece.is_empty() {
        pieces.push(piece);
    }
    pieces
}

/// Moves the points that matter out of a pixel column.
fn thin(column: &mut Vec<(f64, f64)>, into: &mut Vec<(f64, f64)>) {
    if 4 < column.len() {
        let by_y = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let keep = [
            column.first().copied(),
            column.iter().min_by(by_y).copied(),
            column.iter().max_by(by_y).copied(),
            column.last().copied(),
        ];
        let mut keep: Vec<(f64, f64)> = keep.into_iter().flatten().collect();
        keep.sort_by(|a, b| a.0.total_cmp(&b.0));
        keep.dedup();
        *column = keep;
    }
    into.append(column);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn every_extreme_of_every_pixel_column_is_kept(ys in prop::collection::vec(-500.0..500.0, 1..2000)) {
            let points: Vec<(f64, f64)> = ys.iter().enumerate().map(|(i, &y)| (i as f64 / 37.0, y)).collect();
            let thinned = pieces(points.iter().copied()).concat();
            prop_assert!(thinned.len() <= 4 * (ys.len() / 37 + 1));
            for column in 0..=(ys.len() / 37) {
                let of = |points: &[(f64, f64)]| {
                    let ys = points.iter().filter(|p| p.0.floor() == column as f64).map(|p| p.1);
                    ys.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y| (low.min(y), high.max(y)))
                };
                prop_assert_eq!(of(&points), of(&thinned));
            }
        }
    }

    #[test]
    fn a_missing_value_breaks_the_line() {
        let points = [(0.0, 1.0), (1.0, f64::NAN), (2.0, 3.0)];
        assert_eq!(
            pieces(points.into_iter()),
            [vec![(0.0, 1.0)], vec![(2.0, 3.0)]]
        );
    }
}
