//! Exact area coverage of polygons on a grid of square cells.

/// Coverage of the cells in a rectangle of the grid, 0 to 1.
#[derive(Clone, Debug)]
pub(crate) struct Patch {
    /// Column and row of the first cell; may lie outside of the grid that it is put on.
    pub(crate) column: i64,
    pub(crate) row: i64,
    pub(crate) columns: usize,
    pub(crate) values: Vec<f32>,
}

impl Patch {
    /// Covered share of every cell that a closed polygon touches, coordinates in cells.
    ///
    /// Exact for polygons that do not cross themselves, whichever way they turn: each edge adds the signed area between
    /// itself and the right-hand end of its rows, and a running sum along the row gives the coverage. `None` where the
    /// polygon is empty, not finite, or farther than 1e6 cells from the origin.
    pub(crate) fn of(polygon: &[[f64; 2]]) -> Option<Self> {
        let low = |k: usize| polygon.iter().map(|p| p[k]).fold(f64::INFINITY, f64::min);
        let high = |k: usize| polygon.iter().map(|p| p[k]).fold(f64::NEG_INFINITY, f64::max);
        let bounds = [low(0), low(1), high(0), high(1)];
        let usable = polygon.iter().flatten().all(|v| v.abs() < 1e6);
        if polygon.len() < 3 || !usable {
            return None;
        }
        let (column, row) = (bounds[0].floor() as i64, bounds[1].floor() as i64);
        // Two spare columns: an edge in the last column also writes one to its right.
        let columns = (bounds[2].ceil() as i64 - column) as usize + 2;
        let rows = (bounds[3].ceil() as i64 - row) as usize + 1;
        let mut sums = vec![0.0_f64; columns * rows];
        let shifted = |p: [f64; 2]| [p[0] - column as f64, p[1] - row as f64];
        for (i, p) in polygon.iter().enumerate() {
            let next = polygon[(i + 1) % polygon.len()];
            add_edge(&mut sums, columns, shifted(*p), shifted(next));
        }
        let mut values = vec![0.0_f32; columns * rows];
        for (out, sums) in values.chunks_mut(columns).zip(sums.chunks(columns)) {
            let mut running = 0.0;
            for (v, s) in out.iter_mut().zip(sums) {
                running += s;
                *v = running.abs().min(1.0) as f32;
            }
        }
        Some(Self { column, row, columns, values })
    }
}

/// Adds one edge row by row.
fn add_edge(sums: &mut [f64], columns: usize, from: [f64; 2], to: [f64; 2]) {
    if (from[1] - to[1]).abs() < f64::EPSILON {
        return;
    }
    let (sign, top, bottom) = if from[1] < to[1] { (1.0, from, to) } else { (-1.0, to, from) };
    let slope = (bottom[0] - top[0]) / (bottom[1] - top[1]);
    let first = top[1].floor().max(0.0) as usize;
    let last = bottom[1].ceil() as usize;
    for row in first..last {
        let (y0, y1) = (top[1].max(row as f64), bottom[1].min(row as f64 + 1.0));
        if y1 <= y0 {
            continue;
        }
        let height = sign * (y1 - y0);
        let (xa, xb) = (top[0] + slope * (y0 - top[1]), top[0] + slope * (y1 - top[1]));
        let (left, right) = (xa.min(xb), xa.max(xb));
        let cells = &mut sums[row * columns..(row + 1) * columns];
        let (i, j) = (left.floor() as usize, right.floor() as usize);
        if i == j {
            let mean = (left + right) / 2.0 - i as f64;
            add(cells, i, height * (1.0 - mean));
            add(cells, i + 1, height * mean);
            continue;
        }
        // The edge crosses cells i to j: each gets the share of its height, and passes on what it does not cover.
        let per_column = height / (right - left);
        for column in i..=j {
            let (x0, x1) = (left.max(column as f64), right.min(column as f64 + 1.0));
            let part = per_column * (x1 - x0);
            let mean = (x0 + x1) / 2.0 - column as f64;
            add(cells, column, part * (1.0 - mean));
            add(cells, column + 1, part * mean);
        }
    }
}

fn add(cells: &mut [f64], column: usize, value: f64) {
    if let Some(cell) = cells.get_mut(column) {
        *cell += value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(patch: &Patch) -> f64 {
        patch.values.iter().map(|v| f64::from(*v)).sum()
    }

    #[test]
    fn area_and_centroid_are_exact() {
        let polygon = [[1.25, 2.5], [9.75, 4.125], [6.0, 11.3], [-2.2, 7.9]];
        let patch = Patch::of(&polygon).unwrap();
        // Shoelace formula.
        let area: f64 = (0..4)
            .map(|i| {
                let (a, b) = (polygon[i], polygon[(i + 1) % 4]);
                (a[0] * b[1] - b[0] * a[1]) / 2.0
            })
            .sum();
        assert!((sum(&patch) - area.abs()).abs() < 1e-5, "{} {area}", sum(&patch));
        let reversed: Vec<_> = polygon.iter().rev().copied().collect();
        assert!((sum(&Patch::of(&reversed).unwrap()) - area.abs()).abs() < 1e-5);
    }

    #[test]
    fn single_cells_have_their_share() {
        let patch = Patch::of(&[[0.25, 0.0], [2.5, 0.0], [2.5, 1.0], [0.25, 1.0]]).unwrap();
        for (got, want) in patch.values.iter().zip([0.75, 1.0, 0.5, 0.0]) {
            assert!((got - want).abs() < 1e-6, "{got} {want}");
        }
        // A triangle over one cell's diagonal.
        let patch = Patch::of(&[[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]).unwrap();
        assert!((patch.values[0] - 0.5).abs() < 1e-6);
    }

    #[test]
    fn nothing_comes_of_nothing() {
        assert!(Patch::of(&[[0.0, 0.0], [1.0, 1.0]]).is_none());
        assert!(Patch::of(&[[0.0, 0.0], [f64::NAN, 1.0], [1.0, 0.0]]).is_none());
    }
}
