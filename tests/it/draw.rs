//! Plots and drawn-over photographs, checked as shapes and as pixels.

use std::io::Cursor;

use image::ImageFormat;
use motestick::exchange::draw::{
    Anchor, Corner, MarkShape, Overlay, OverlayItem, ScaleBar, Scene, Shape, Tone, text_height_px, text_width_px,
};
use motestick::exchange::plot::{Axis, Data, Panel, Plot, Series};
use motestick::photo::{Limits, Photo};
use motestick::units::{Point, PxPerUm};

/// Left, top, right, bottom of every text.
fn text_boxes(scene: &Scene) -> Vec<(String, [f64; 4])> {
    let box_of = |shape: &Shape| {
        let Shape::Text { at, text, size_px, anchor, upwards, .. } = shape else { return None };
        let (width, height) = (text_width_px(text, *size_px), text_height_px(*size_px));
        let before = match anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => 0.5 * width,
            Anchor::End => width,
        };
        let sides = if *upwards {
            [at.0 - height, at.1 + before - width, at.0, at.1 + before]
        } else {
            [at.0 - before, at.1 - height, at.0 - before + width, at.1]
        };
        Some((text.clone(), sides))
    };
    scene.shapes.iter().filter_map(box_of).collect()
}

fn busy_plot(columns: usize) -> Plot {
    let residuals = (0..100).map(|i| (f64::from(i) * 10.0, (f64::from(i) * 1.7).sin() * 0.05, 0.02)).collect();
    let mut above = Panel::new(
        Axis::new("position along the ruling", "µm"),
        Axis {
            range: Some((-0.1, 0.1)), ..Axis::new("residual, measured less fitted, of the graduations used", "µm")
        },
        vec![
            Series::new("graduations used (97), bar: standard uncertainty", Data::PointsWithErrors(residuals)),
            Series::new("rejected (1)", Data::Points(vec![(500.0, 3.0)])),
            Series::new("twice the standard deviation", Data::Across(0.06)).dashed(),
        ],
    );
    above.title = "Residuals".to_owned();
    above.weight = 1.5;
    let bars =
        Series::new("how many", Data::Bars((0..9).map(|i| (f64::from(i), f64::from(i) + 1.0, 123_456.0)).collect()));
    let below = Panel::new(Axis::new("length", "µm"), Axis::new("number", ""), vec![bars]);
    let line = Data::Line((0..50).map(|i| (f64::from(i), 1e-7 * f64::from(i * i))).collect());
    let small = Panel::new(Axis::new("place", "px"), Axis::new("light", ""), vec![Series::new("profile", line)]);
    let mut plot =
        Plot::new("Reading of the ruled slide, 1 mm in 100 divisions, at four times", vec![above, below, small]);
    plot.subtitle = "scale 1.07527 px/µm (0.93000 µm/px), standard uncertainty 2.6 × 10⁻⁴".to_owned();
    plot.columns = columns;
    plot
}

#[test]
fn no_text_of_a_plot_is_cut_or_covers_another() {
    for (width, height) in [(1200, 800), (800, 600), (640, 640), (1920, 1080), (500, 900), (3000, 2000)] {
        for columns in 1..=2 {
            let scene = busy_plot(columns).to_scene(width, height);
            let boxes = text_boxes(&scene);
            assert!(boxes.len() > 25);
            for (i, (text, a)) in boxes.iter().enumerate() {
                let inside = a[0] >= 0.0 && a[1] >= 0.0 && a[2] <= width as f64 && a[3] <= height as f64;
                assert!(inside, "{width} × {height}: \"{text}\" is cut: {a:?}");
                for (other, b) in &boxes[i + 1..] {
                    let apart = a[2] <= b[0] || b[2] <= a[0] || a[3] <= b[1] || b[3] <= a[1];
                    assert!(apart, "{width} × {height}, {columns} columns: \"{text}\" {a:?} covers \"{other}\" {b:?}");
                }
            }
        }
    }
}

#[test]
fn what_lies_beyond_an_axis_is_said_in_the_legend() {
    let says = |plot: &Plot| text_boxes(&plot.to_scene(1200, 800)).iter().any(|(t, _)| t == "lies beyond the axis");
    let mut plot = busy_plot(1);
    assert!(says(&plot));
    plot.panels[0].y.range = None;
    assert!(!says(&plot));
}

#[test]
fn points_stand_where_the_axes_say() {
    let points = vec![(0.0, -1.0), (5.0, 1.0), (10.0, 3.0)];
    let axis = |range| Axis { range: Some(range), ..Axis::new("a", "µm") };
    let series = vec![Series::new("", Data::Points(points)).shape(MarkShape::Disc)];
    let plot = Plot::new("", vec![Panel::new(axis((0.0, 10.0)), axis((-1.0, 3.0)), series)]);
    let scene = plot.to_scene(900, 600);
    let discs: Vec<(f64, f64)> = scene
        .shapes
        .iter()
        .filter_map(|s| if let Shape::Circle { centre, .. } = s { Some(*centre) } else { None })
        .collect();
    // The frame is the one line through three corners: upper left, lower left, lower right.
    let frame = scene.shapes.iter().find_map(|s| match s {
        Shape::Path { points, closed: false, .. } if points.len() == 3 => Some(points.clone()),
        _ => None,
    });
    let frame = frame.expect("a frame");
    let middle = (0.5 * (frame[1].0 + frame[2].0), 0.5 * (frame[0].1 + frame[1].1));
    for (disc, wanted) in discs.iter().zip([frame[1], middle, (frame[2].0, frame[0].1)]) {
        assert!((disc.0 - wanted.0).abs() < 1e-9 && (disc.1 - wanted.1).abs() < 1e-9, "{disc:?} {wanted:?}");
    }
    assert_eq!(discs.len(), 3);
}

#[test]
fn plots_come_out_as_png_and_svg() {
    let mut plot = busy_plot(1);
    plot.title = "p < 0.05 & \"more\"".to_owned();
    let png = plot.to_png(640, 480).expect("draws");
    let picture = image::load_from_memory(&png).expect("decodes").to_rgb8();
    assert_eq!(picture.dimensions(), (640, 480));
    assert_eq!(picture.get_pixel(639, 479).0, [255; 3]);
    let dark = picture.pixels().filter(|p| p.0.iter().all(|c| *c < 100)).count();
    assert!(dark > 500, "{dark} dark pixels of text and frame");
    let svg = plot.to_svg(640, 480);
    assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"640\" height=\"480\""));
    assert!(svg.contains(">p &lt; 0.05 &amp; &quot;more&quot;</text>") && svg.ends_with("</svg>\n"));
    assert!(svg.contains("rotate(-90 ") && svg.contains("stroke-dasharray"));
    assert!(plot.to_png(0, 480).is_err() && plot.to_png(640, 1_000_000).is_err());
}

#[test]
fn senseless_data_still_make_a_plot() {
    let nan = f64::NAN;
    let data = [
        Data::Points(vec![]),
        Data::Points(vec![(nan, 1.0), (1.0, f64::INFINITY)]),
        Data::PointsWithErrors(vec![(1.0, 2.0, nan), (1.0, 2.0, -1.0), (1.0, 2.0, f64::INFINITY)]),
        Data::Line(vec![(0.0, 1.0), (nan, nan), (2.0, 3.0)]),
        Data::Band(vec![(0.0, nan, 1.0)]),
        Data::Bars(vec![(0.0, 1.0, nan), (1.0, 1.0, 0.0)]),
        Data::Across(1e300),
        Data::Upwards(-1e-300),
        Data::Points(vec![(3.0, 7.0); 3]),
    ];
    for data in data {
        let range = Some((nan, 1.0));
        let x = Axis { range, ..Axis::default() };
        let plot = Plot::new("t", vec![Panel::new(x, Axis::default(), vec![Series::new("s", data.clone())])]);
        assert!(plot.to_png(300, 200).is_ok(), "{data:?}");
        assert!(!plot.to_svg(300, 200).contains("NaN"), "{data:?}");
    }
    assert!(Plot::new("", vec![]).to_png(100, 80).is_ok());
}

fn photo_of(width: u32, height: u32, of: impl Fn(u32, u32) -> [u8; 3]) -> Photo {
    let picture = image::RgbImage::from_fn(width, height, |x, y| image::Rgb(of(x, y)));
    let mut bytes = Vec::new();
    picture.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png).expect("encodes");
    Photo::from_bytes(&bytes, &Limits::default()).expect("opens")
}

#[test]
fn drawing_changes_only_what_it_covers() {
    let photo = photo_of(400, 300, |x, y| [(x % 251) as u8, (y % 241) as u8, 90]);
    let before = photo.rgba8();
    let overlay = Overlay {
        items: vec![
            OverlayItem::Line {
                points: vec![Point::new(50.5, 100.5), Point::new(350.5, 100.5)],
                closed: false,
                dashed: false,
                tone: Tone::Orange,
            },
            OverlayItem::Mark { at: Point::new(200.0, 200.0), shape: MarkShape::Ring, tone: Tone::Sky },
            OverlayItem::Mark { at: Point::new(f64::NAN, 200.0), shape: MarkShape::Ring, tone: Tone::Sky },
        ],
        scale_bar: None,
    };
    let (after, bar) = overlay.draw_rgba(&photo).expect("draws");
    assert!(bar.is_none() && photo.rgba8() == before);
    let pixel = |x: usize, y: usize| &after[(y * 400 + x) * 4..][..4];
    // The line's middle lies on the centres of row 100 by the half-pixel rule.
    assert_eq!(pixel(200, 100), [255, 190, 30, 255]);
    // The place marked by a ring stays as it was.
    assert_eq!(pixel(200, 200), &before[(200 * 400 + 200) * 4..][..4]);
    let near = |x: usize, y: usize| (95..=106).contains(&y) || ((180..220).contains(&x) && (180..220).contains(&y));
    for y in 0..300 {
        for x in 0..400 {
            let i = (y * 400 + x) * 4;
            assert!(near(x, y) || after[i..i + 4] == before[i..i + 4], "{x} {y}");
        }
    }
}

#[test]
fn the_scale_bar_has_the_length_it_states() {
    for (value, corner) in [(0_u8, Corner::BottomRight), (250, Corner::TopLeft), (120, Corner::Quietest)] {
        let photo = photo_of(1000, 700, |_x, _y| [value; 3]);
        let scale = PxPerUm::new(0.7734);
        let overlay = Overlay { items: vec![], scale_bar: Some(ScaleBar { scale, corner }) };
        let drawn = overlay.draw_on(&photo).expect("draws");
        let bar = drawn.scale_bar.expect("has room");
        assert_eq!((bar.label.as_str(), bar.length.get(), bar.plate), ("200 µm", 200.0, false));
        assert!(bar.contrast >= 4.5, "{}", bar.contrast);
        let picture = image::load_from_memory(&drawn.png).expect("decodes").to_luma8();
        // The longest run that differs from the ground is the bar; its ends may be half covered.
        let longest = (0..700).map(|y| {
            let differs = |x: u32| f64::from(picture.get_pixel(x, y).0[0].abs_diff(value));
            let full = (0..1000).map(differs).fold(0.0, f64::max).max(1.0);
            (0..1000)
                .map(|x| differs(x) / full)
                .fold((0.0, 0.0_f64), |(run, best), v| {
                    let run = if v > 0.02 { run + v } else { 0.0 };
                    (run, best.max(run))
                })
                .1
        });
        let longest = longest.fold(0.0, f64::max);
        assert!((longest - 200.0 * 0.7734).abs() < 0.1, "{longest} px drawn for {} px", 200.0 * 0.7734);
        // 0.7734 px/µm are 773,400 px/m.
        let phys = drawn.png.windows(4).position(|w| w == b"pHYs").expect("has a scale");
        assert_eq!(drawn.png[phys + 4..phys + 8], 773_400_u32.to_be_bytes());
    }
    let tiny = photo_of(30, 20, |_x, _y| [9; 3]);
    let overlay =
        Overlay { items: vec![], scale_bar: Some(ScaleBar { scale: PxPerUm::new(1.0), corner: Corner::Quietest }) };
    assert!(overlay.draw_on(&tiny).expect("draws").scale_bar.is_none());
}

#[test]
fn labels_keep_off_each_other_and_inside_the_picture() {
    let photo = photo_of(600, 400, |_x, _y| [40; 3]);
    // Labels of one place must not lie upon each other: the more of them, the more pixels they cover.
    let covered = |n: usize| {
        let label =
            |_i: usize| OverlayItem::Label { at: Point::new(590.0, 5.0), text: "mark".to_owned(), tone: Tone::Sky };
        let (pixels, _bar) =
            Overlay { items: (0..n).map(label).collect(), scale_bar: None }.draw_rgba(&photo).expect("draws");
        // Light above the ground, which does not depend on how letters fall between pixels.
        pixels.as_chunks::<4>().0.iter().map(|p| f64::from(p[2].saturating_sub(40))).sum::<f64>()
    };
    let one = covered(1);
    assert!(one > 1e4);
    assert!(covered(4) > 3.9 * one, "{} of {one}", covered(4));
}
