//! The picture at a smaller size, whole or in part.

use rayon::prelude::*;

use crate::photo::Light;
use crate::units::{Image, Point};

/// Linear light averaged over squares of `step_px` pixels, with its place in the picture.
#[derive(Clone, Debug)]
pub(super) struct Plane {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Pixels of the picture a cell, each way.
    pub(super) step_px: usize,
    /// Upper left corner in the picture, px.
    pub(super) corner_px: (usize, usize),
    pub(super) values: Vec<f32>,
}

/// A part of the picture, px.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Window {
    pub(super) left: usize,
    pub(super) top: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

impl Plane {
    /// Averages the part of the picture in `window`; columns and rows that fill no whole cell are left out.
    pub(super) fn of(light: &Light, window: Window, step_px: usize) -> Self {
        let (width, height) = (window.width / step_px, window.height / step_px);
        let mut values = vec![0.0_f32; width * height];
        let weight = 1.0 / (step_px * step_px) as f32;
        values.par_chunks_mut(width.max(1)).enumerate().for_each(|(y, line)| {
            if step_px == 1 {
                light.fill(window.left, window.top + y, line);
                return;
            }
            let mut source = vec![0.0; width * step_px];
            for row in 0..step_px {
                light.fill(window.left, window.top + y * step_px + row, &mut source);
                for (sum, cell) in line.iter_mut().zip(source.chunks_exact(step_px)) {
                    *sum += cell.iter().sum::<f32>();
                }
            }
            line.iter_mut().for_each(|v| *v *= weight);
        });
        Self { width, height, step_px, corner_px: (window.left, window.top), values }
    }

    /// Place in the picture of cell coordinates (the centre of the first cell is at 0.5, 0.5).
    pub(super) fn image_from_cells(&self, x: f64, y: f64) -> Point<Image> {
        let step = self.step_px as f64;
        Point::new(self.corner_px.0 as f64 + x * step, self.corner_px.1 as f64 + y * step)
    }

    /// Cell coordinates of a place in the picture.
    pub(super) fn cells_from_image(&self, p: Point<Image>) -> (f64, f64) {
        let step = self.step_px as f64;
        ((p.x - self.corner_px.0 as f64) / step, (p.y - self.corner_px.1 as f64) / step)
    }

    /// The cell that holds a place in the picture.
    pub(super) fn cell_at(&self, p: Point<Image>) -> Option<usize> {
        let (x, y) = self.cells_from_image(p);
        let inside = x >= 0.0 && y >= 0.0 && x < self.width as f64 && y < self.height as f64;
        inside.then(|| y as usize * self.width + x as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_means_of_their_pixels_and_know_their_place() {
        let light = Light::new(12, 9, (0..108).map(|i| (i % 12) as f32 + 100.0 * (i / 12) as f32).collect());
        let plane = Plane::of(&light, Window { left: 2, top: 1, width: 9, height: 7 }, 3);
        assert_eq!((plane.width, plane.height), (3, 2));
        // Pixels 5 to 7 of rows 1 to 3.
        assert!((plane.values[1] - (6.0 + 200.0)).abs() < 1e-4);
        let p = plane.image_from_cells(1.5, 0.5);
        assert_eq!(p, Point::new(6.5, 2.5));
        assert_eq!(plane.cells_from_image(p), (1.5, 0.5));
        assert_eq!(plane.cell_at(p), Some(1));
        assert_eq!(plane.cell_at(Point::new(1.9, 3.0)), None);
    }
}
