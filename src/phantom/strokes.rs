//! A small stroke font of our own and soft strokes: figures on scales, captions, printed text.
//!
//! Strokes carry no truth; their soft rim approximates the blur spot.

/// A straight stroke.
pub(crate) type Segment = [[f64; 2]; 2];

/// Width of a glyph's cell over its height, with the gap to the next one.
pub(crate) const ADVANCE: f64 = 0.85;

/// Polylines of a glyph on a grid 4 wide and 6 high (y down): two digits a point, blanks between points, `/` between lines.
fn glyph(c: char) -> &'static str {
    match c.to_ascii_uppercase() {
        '0' => "10 30 41 45 36 16 05 01 10",
        '1' => "12 20 26 / 16 36",
        '2' => "01 10 30 41 42 06 46",
        '3' => "01 10 30 41 42 33 13 / 33 44 45 36 16 05",
        '4' => "36 30 04 44",
        '5' => "40 00 02 32 43 45 36 06",
        '6' => "40 10 01 05 16 36 45 44 33 03",
        '7' => "00 40 16",
        '8' => "10 30 41 42 33 13 02 01 10 / 13 04 05 16 36 45 44 33",
        '9' => "06 36 45 41 30 10 01 02 13 43",
        'A' => "06 20 46 / 14 34",
        'B' => "00 06 36 45 44 33 03 / 33 42 41 30 00",
        'C' => "41 30 10 01 05 16 36 45",
        'D' => "00 30 41 45 36 06 00",
        'E' => "40 00 06 46 / 03 33",
        'F' => "40 00 06 / 03 33",
        'G' => "41 30 10 01 05 16 36 45 43 23",
        'H' => "00 06 / 40 46 / 03 43",
        'I' => "20 26",
        'J' => "40 45 36 16 05",
        'K' => "00 06 / 40 03 46",
        'L' => "00 06 46",
        'M' => "06 00 23 40 46",
        'N' => "06 00 46 40",
        'O' => "10 30 41 45 36 16 05 01 10",
        'P' => "06 00 30 41 42 33 03",
        'R' => "06 00 30 41 42 33 03 / 23 46",
        'S' => "41 30 10 01 02 44 45 36 16 05",
        'T' => "00 40 / 20 26",
        'U' => "00 05 16 36 45 40",
        'V' => "00 26 40",
        'W' => "00 16 23 36 40",
        'X' => "00 46 / 40 06",
        'Y' => "00 23 40 / 23 26",
        'Z' => "00 40 06 46",
        '.' => "25 26",
        '-' => "03 43",
        '/' => "06 40",
        _ => "",
    }
}

/// Strokes of `text`: its upper left corner at `at`, letters `height` high, turned by `angle_rad`.
pub(crate) fn text_strokes(text: &str, at: [f64; 2], height: f64, angle_rad: f64) -> Vec<Segment> {
    let (sin, cos) = angle_rad.sin_cos();
    let unit = height / 6.0;
    let mut out = Vec::new();
    for (i, c) in text.chars().enumerate() {
        let left = i as f64 * ADVANCE * height;
        for line in glyph(c).split('/') {
            let points: Vec<[f64; 2]> = line
                .split_whitespace()
                .filter_map(|p| {
                    let mut digits = p.chars().filter_map(|d| d.to_digit(10));
                    let (x, y) = (f64::from(digits.next()?), f64::from(digits.next()?));
                    let (x, y) = (left + x * unit, y * unit);
                    Some([at[0] + x * cos - y * sin, at[1] + x * sin + y * cos])
                })
                .collect();
            out.extend(points.windows(2).map(|w| [w[0], w[1]]));
        }
    }
    out
}

/// Draws strokes of `width` into `layer` (rows of `columns` values), keeping the greater coverage; all in px.
pub(crate) fn draw_strokes(layer: &mut [f32], columns: usize, strokes: &[Segment], width: f64, soft: f64) {
    let rows = layer.len() / columns.max(1);
    let reach = width / 2.0 + 3.0 * soft;
    for [a, b] in strokes {
        let clamp = |v: f64, size: usize| v.clamp(0.0, size as f64) as usize;
        let (x0, x1) = (clamp(a[0].min(b[0]) - reach, columns), clamp(a[0].max(b[0]) + reach + 1.0, columns));
        let (y0, y1) = (clamp(a[1].min(b[1]) - reach, rows), clamp(a[1].max(b[1]) + reach + 1.0, rows));
        for y in y0..y1 {
            for x in x0..x1 {
                let d = distance_to_segment([x as f64 + 0.5, y as f64 + 0.5], a, b);
                let cover = (soft_step((width / 2.0 - d) / soft) - soft_step((-width / 2.0 - d) / soft)) as f32;
                let v = &mut layer[y * columns + x];
                *v = v.max(cover);
            }
        }
    }
}

/// Distance of a point to a straight stroke.
pub(crate) fn distance_to_segment(p: [f64; 2], a: &[f64; 2], b: &[f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length2 = dx * dx + dy * dy;
    let t = if length2 > 0.0 { (((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2).clamp(0.0, 1.0) } else { 0.0 };
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}

/// A smooth rise from 0 to 1 with the shape of a Gaussian edge: logistic within 0.01 of the normal integral.
pub(crate) fn soft_step(t: f64) -> f64 {
    1.0 / (1.0 + (-1.702 * t).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_figures_have_strokes_within_their_cell() {
        for c in "0123456789ABCDEFGHIJKLMNOPRSTUVWXYZ".chars() {
            let strokes = text_strokes(&c.to_string(), [10.0, 20.0], 6.0, 0.0);
            assert!(!strokes.is_empty(), "{c}");
            for p in strokes.iter().flatten() {
                assert!((10.0..=14.0).contains(&p[0]) && (20.0..=26.0).contains(&p[1]), "{c}: {p:?}");
            }
        }
        assert!(text_strokes("É", [0.0, 0.0], 6.0, 0.0).is_empty(), "unknown letters leave a gap");
    }

    #[test]
    fn strokes_cover_their_middle_and_nothing_far_off() {
        let mut layer = vec![0.0; 40 * 30];
        draw_strokes(&mut layer, 40, &[[[5.5, 10.5], [30.5, 10.5]]], 4.0, 0.5);
        assert!(layer[10 * 40 + 15] > 0.99 && layer[20 * 40 + 15] < 1e-6 && layer[10 * 40 + 38] < 0.01);
    }
}
