//! Sets of cells: pieces, holes, distances, opening.

use rayon::prelude::*;

/// Cells that belong to something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Mask {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) cells: Vec<bool>,
}

/// A connected piece of a mask.
#[derive(Clone, Debug)]
pub(super) struct Piece {
    pub(super) cells: Vec<u32>,
    /// Left, top, right and bottom cell.
    pub(super) bounds: [usize; 4],
}

impl Piece {
    pub(super) fn len(&self) -> usize {
        self.cells.len()
    }
}

/// The eight neighbours, the four that share a side first.
const NEIGHBOURS: [(i64, i64); 8] = [(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)];

impl Mask {
    pub(super) fn new(width: usize, height: usize, cells: Vec<bool>) -> Self {
        Self { width, height, cells }
    }

    pub(super) fn of_pieces<'a>(width: usize, height: usize, pieces: impl IntoIterator<Item = &'a Piece>) -> Self {
        let mut cells = vec![false; width * height];
        for piece in pieces {
            piece.cells.iter().for_each(|c| cells[*c as usize] = true);
        }
        Self { width, height, cells }
    }

    pub(super) fn count(&self) -> usize {
        self.cells.iter().filter(|c| **c).count()
    }

    pub(super) fn and_not(&self, other: &Self) -> Self {
        let cells = self.cells.iter().zip(&other.cells).map(|(a, b)| *a && !*b).collect();
        Self { cells, ..*self }
    }

    pub(super) fn and(&self, other: &Self) -> Self {
        let cells = self.cells.iter().zip(&other.cells).map(|(a, b)| *a && *b).collect();
        Self { cells, ..*self }
    }

    pub(super) fn or(&self, other: &Self) -> Self {
        let cells = self.cells.iter().zip(&other.cells).map(|(a, b)| *a || *b).collect();
        Self { cells, ..*self }
    }

    fn inverted(&self) -> Self {
        Self { cells: self.cells.iter().map(|c| !c).collect(), ..*self }
    }

    /// The neighbours of a cell: four that share a side, or eight.
    pub(super) fn around(&self, cell: usize, eight: bool) -> impl Iterator<Item = usize> + use<> {
        let (w, h) = (self.width as i64, self.height as i64);
        let (x, y) = ((cell % self.width) as i64, (cell / self.width) as i64);
        NEIGHBOURS.into_iter().take(if eight { 8 } else { 4 }).filter_map(move |(dx, dy)| {
            let (nx, ny) = (x + dx, y + dy);
            (nx >= 0 && ny >= 0 && nx < w && ny < h).then_some((ny * w + nx) as usize)
        })
    }

    /// Connected pieces, largest first.
    pub(super) fn pieces(&self, eight: bool) -> Vec<Piece> {
        let mut seen = vec![false; self.cells.len()];
        let mut out = Vec::new();
        for start in 0..self.cells.len() {
            if !self.cells[start] || seen[start] {
                continue;
            }
            seen[start] = true;
            let mut cells = vec![start as u32];
            let mut next = 0;
            let mut bounds = [usize::MAX, usize::MAX, 0, 0];
            while let Some(&cell) = cells.get(next) {
                next += 1;
                let (x, y) = (cell as usize % self.width, cell as usize / self.width);
                bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x), bounds[3].max(y)];
                for other in self.around(cell as usize, eight) {
                    if self.cells[other] && !seen[other] {
                        seen[other] = true;
                        cells.push(other as u32);
                    }
                }
            }
            out.push(Piece { cells, bounds });
        }
        out.sort_by_key(|p| std::cmp::Reverse(p.len()));
        out
    }

    /// Cells that no way of side-sharing empty cells joins to the border are filled, where `may` lets the hole.
    pub(super) fn filled(&self, may: impl Fn(&Piece) -> bool) -> Self {
        let mut out = self.clone();
        for hole in self.inverted().pieces(false) {
            let [left, top, right, bottom] = hole.bounds;
            let open = left == 0 || top == 0 || right + 1 == self.width || bottom + 1 == self.height;
            if !open && may(&hole) {
                hole.cells.iter().for_each(|c| out.cells[*c as usize] = true);
            }
        }
        out
    }

    /// Distance of every cell of the mask to the nearest cell outside, centre to centre, in cells; beyond the border lies nothing.
    ///
    /// Exact: the lower envelope of parabolas, first by columns, then by rows.
    /// # Source
    /// P. Felzenszwalb, D. Huttenlocher, Distance transforms of sampled functions, Theory of Computing 8 (2012) 415–428.
    pub(super) fn distances(&self) -> Vec<f32> {
        let (w, h) = (self.width, self.height);
        let far = ((w + h) * (w + h)) as f32;
        // Columns: distance up and down, in integers.
        let mut squared: Vec<f32> = self.cells.iter().map(|c| if *c { far } else { 0.0 }).collect();
        let mut last = vec![f32::INFINITY; w];
        for forward in [true, false] {
            last.fill(f32::INFINITY);
            for i in 0..h {
                let y = if forward { i } else { h - 1 - i };
                for (v, d) in squared[y * w..(y + 1) * w].iter_mut().zip(&mut last) {
                    *d = if *v == 0.0 { 0.0 } else { *d + 1.0 };
                    *v = v.min(*d * *d);
                }
            }
        }
        squared.par_chunks_mut(w.max(1)).for_each(envelope);
        squared.iter_mut().for_each(|v| *v = v.sqrt());
        squared
    }

    /// All discs of radius `radius` cells that fit into the mask.
    pub(super) fn opened(&self, distances: &[f32], radius: f32) -> Self {
        let eroded = Self { cells: distances.iter().map(|d| *d > radius).collect(), ..*self };
        let back = eroded.inverted().distances();
        // No eroded cell at all: nothing is near one.
        if !eroded.cells.iter().any(|c| *c) {
            return eroded;
        }
        let cells = back.iter().zip(&self.cells).map(|(d, c)| *c && *d <= radius).collect();
        Self { cells, ..*self }
    }
}

/// Squared distances along a row, given those along the columns.
fn envelope(row: &mut [f32]) {
    let n = row.len();
    let f: Vec<f32> = row.to_vec();
    let mut vertex = vec![0_usize; n];
    let mut bound = vec![0.0_f32; n + 1];
    let mut k = 0;
    bound[0] = f32::NEG_INFINITY;
    bound[1] = f32::INFINITY;
    let meet = |q: usize, v: usize| {
        let (qf, vf) = (q as f32, v as f32);
        ((f[q] + qf * qf) - (f[v] + vf * vf)) / (2.0 * (qf - vf))
    };
    for q in 1..n {
        let mut s = meet(q, vertex[k]);
        while k > 0 && s <= bound[k] {
            k -= 1;
            s = meet(q, vertex[k]);
        }
        if s <= bound[k] {
            vertex[k] = q;
        } else {
            k += 1;
            vertex[k] = q;
            bound[k] = s;
        }
        bound[k + 1] = f32::INFINITY;
    }
    let mut k = 0;
    for (q, out) in row.iter_mut().enumerate() {
        while bound[k + 1] < q as f32 {
            k += 1;
        }
        let d = q as f32 - vertex[k] as f32;
        *out = d * d + f[vertex[k]];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(picture: &[&str]) -> Mask {
        let cells = picture.iter().flat_map(|l| l.bytes().map(|b| b == b'#')).collect();
        Mask::new(picture[0].len(), picture.len(), cells)
    }

    #[test]
    fn distances_agree_with_the_plain_search() {
        let mask = Mask::new(41, 29, (0..41 * 29_usize).map(|i| (i * i + 3 * i) % 11 != 0 || i % 41 > 20).collect());
        for (cell, d) in mask.distances().iter().enumerate() {
            let (x, y) = ((cell % 41) as f32, (cell / 41) as f32);
            let plain = (0..mask.cells.len())
                .filter(|c| !mask.cells[*c])
                .map(|c| ((c % 41) as f32 - x).hypot((c / 41) as f32 - y))
                .fold(f32::INFINITY, f32::min);
            assert!((d - plain).abs() < 1e-4, "{x}, {y}: {d} for {plain}");
        }
    }

    #[test]
    fn opening_takes_off_what_is_thin_and_keeps_the_rest() {
        let (w, h) = (80, 60);
        let body = |x: f64, y: f64| (x - 40.0).hypot(y - 30.0) < 15.0;
        let leg = |x: f64, y: f64| (y - 30.0).abs() < 2.0 && x < 60.0 && x > 40.0;
        let cells = (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as f64 + 0.5, (i / w) as f64 + 0.5);
                body(x, y) || leg(x, y)
            })
            .collect();
        let mask = Mask::new(w, h, cells);
        let opened = mask.opened(&mask.distances(), 5.0);
        let off = mask.and_not(&opened);
        assert_eq!(off.pieces(true).iter().filter(|p| p.len() > 4).count(), 1);
        assert!((opened.count() as f64 - std::f64::consts::PI * 225.0).abs() < 25.0);
        assert_eq!(mask.opened(&mask.distances(), 30.0).count(), 0);
    }

    #[test]
    fn holes_are_filled_unless_they_are_open() {
        let mask = drawn(&["......", ".###..", ".#.#..", ".####.", "..#.#.", "..###.", "......"]);
        assert_eq!(mask.filled(|_| true).count(), mask.count() + 2);
        assert_eq!(mask.filled(|_| false), mask);
        let open = drawn(&[".#.#.", ".#.#.", ".###.", "....."]);
        assert_eq!(open.filled(|_| true), open);
        assert_eq!(mask.pieces(false).len(), 1);
        assert_eq!(drawn(&["#.", ".#"]).pieces(true).len(), 1);
        assert_eq!(drawn(&["#.", ".#"]).pieces(false).len(), 2);
    }
}
