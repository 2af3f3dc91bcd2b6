//! Marks that were fitted together: what the fit says of one holds in part of its neighbours.
//!
//! Each mark carries its own covariance and that with the next one. Two that are farther apart depend on each other through those between
//! them, as the joints of a chain do, of which each is held by the light of the segments beside it. That is positive wherever every pair
//! of neighbours is.

use nalgebra::{DMatrix, Matrix2};

use super::mark::{Mark, Placement};

/// Own covariance of a mark set by a fit, px².
fn own(mark: &Mark) -> Option<Matrix2<f64>> {
    let Placement::Snapped { covariance_px2: [xx, xy, yy], .. } = mark.placement else { return None };
    Some(Matrix2::new(xx, xy, xy, yy))
}

/// How a mark follows the one before it: the slope of its place over that one's. `None` where they were not fitted together, or where what is
/// stored of both contradicts itself.
fn follows(before: &Mark, mark: &Mark) -> Option<Matrix2<f64>> {
    let Placement::Snapped { with_next_px2: Some([xx, xy, yx, yy]), .. } = before.placement else { return None };
    let (a, b) = (own(before)?, own(mark)?);
    let slope = Matrix2::new(xx, yx, xy, yy) * a.try_inverse()?;
    let left = b - slope * a * slope.transpose();
    let least = left.symmetric_eigenvalues().min();
    (least.is_finite() && least >= -1e-9 * b.trace()).then_some(slope)
}

/// How many of the first marks were fitted together with the first one; at least 1 where there is one.
pub(super) fn run(marks: &[Mark]) -> usize {
    marks.windows(2).take_while(|p| follows(&p[0], &p[1]).is_some()).count() + marks.len().min(1)
}

/// Covariance of the coordinates of marks fitted together, px², row by row.
pub(super) fn covariance(marks: &[Mark]) -> Vec<f64> {
    let n = marks.len();
    let mut all = DMatrix::<f64>::zeros(2 * n, 2 * n);
    for (i, mark) in marks.iter().enumerate() {
        all.fixed_view_mut::<2, 2>(2 * i, 2 * i).copy_from(&own(mark).unwrap_or_default());
        let Some(slope) = i.checked_sub(1).and_then(|b| follows(&marks[b], mark)) else { continue };
        for k in 0..i {
            let block = slope * all.fixed_view::<2, 2>(2 * (i - 1), 2 * k);
            all.fixed_view_mut::<2, 2>(2 * i, 2 * k).copy_from(&block);
            all.fixed_view_mut::<2, 2>(2 * k, 2 * i).copy_from(&block.transpose());
        }
    }
    all.as_slice().to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::animal::MarkKind;
    use crate::units::Point;

    fn mark(own: [f64; 3], with_next_px2: Option<[f64; 4]>) -> Mark {
        let placement = Placement::snapped(own, None).with_next(with_next_px2);
        Mark { at: Point::new(0.0, 0.0), kind: MarkKind::Feature, placement }
    }

    #[test]
    fn neighbours_are_as_stored_and_others_follow_through_them() {
        // A walk: each mark is the one before and a step of variance 1 of its own, so that all covariances are known.
        let walk = |i: f64| mark([i, 0.0, 2.0 * i], Some([i, 0.0, 0.0, 2.0 * i]));
        let marks = [walk(1.0), walk(2.0), walk(3.0)];
        assert_eq!(run(&marks), 3);
        let all = covariance(&marks);
        for i in 0..3 {
            for k in 0..3 {
                let shared = 1.0 + i.min(k) as f64;
                assert!((all[2 * i * 6 + 2 * k] - shared).abs() < 1e-12, "{i} {k}: {all:?}");
                assert!((all[(2 * i + 1) * 6 + 2 * k + 1] - 2.0 * shared).abs() < 1e-12);
                assert!(all[2 * i * 6 + 2 * k + 1].abs() < 1e-12);
            }
        }
    }

    #[test]
    fn what_turns_round_a_corner_keeps_its_place() {
        // Along x the first, along y the second: the x of the first moves the y of the second.
        let marks = [mark([0.4, 0.1, 0.2], Some([0.05, 0.15, -0.02, 0.01])), mark([0.3, 0.0, 0.5], None)];
        let all = covariance(&marks);
        assert_eq!(run(&marks), 2);
        // Row by row: x and y of the first, x and y of the second.
        let wanted = [[0.4, 0.1, 0.05, 0.15], [0.1, 0.2, -0.02, 0.01], [0.05, -0.02, 0.3, 0.0], [0.15, 0.01, 0.0, 0.5]];
        for (i, row) in wanted.iter().enumerate() {
            for (k, v) in row.iter().enumerate() {
                assert!((all[4 * i + k] - v).abs() < 1e-12, "{i} {k}: {all:?}");
            }
        }
    }

    #[test]
    fn marks_moved_since_stand_for_themselves() {
        let linked = mark([1.0, 0.0, 1.0], Some([0.9, 0.0, 0.0, 0.9]));
        let moved = Mark::by_hand(Point::new(1.0, 1.0), MarkKind::Feature);
        assert_eq!(run(&[linked, moved]), 1);
        // Found anew and far better since: what was stored with the old place contradicts it.
        assert_eq!(run(&[linked, mark([0.1, 0.0, 0.1], None)]), 1);
        assert_eq!(run(&[mark([1.0, 0.0, 1.0], None), linked]), 1);
        assert_eq!(run(&[]), 0);
    }
}
