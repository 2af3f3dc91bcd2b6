fn main() {
    for path in std::env::args().skip(1) {
        let img = image::ImageReader::open(&path).unwrap().with_guessed_format().unwrap().decode().unwrap();
        let g = img.to_rgb8();
        let lin = |v: u8| {
            let s = v as f64 / 255.0;
            if s <= 0.04045 { s / 12.92 } else { ((s + 0.055) / 1.055).powf(2.4) }
        };
        let v: Vec<f32> =
            g.pixels().map(|p| (0.2126 * lin(p[0]) + 0.7152 * lin(p[1]) + 0.0722 * lin(p[2])) as f32).collect();
        let light = motestick::photo::Light::new(g.width() as usize, g.height() as usize, v);
        let t = std::time::Instant::now();
        let r = motestick::slide::read(&light, &motestick::slide::Request::new(motestick::units::Um::new(10.0)));
        let name = path.rsplit("shared/").next().unwrap();
        match r {
            Err(e) => println!("{name}: REFUSED {} {:?}", e, t.elapsed()),
            Ok(r) => {
                let truth = std::fs::read_to_string(std::path::Path::new(&path).parent().unwrap().join("truth.json"))
                    .ok()
                    .and_then(|s| serde_json::from_str::<serde_json::Value>(&s).ok())
                    .and_then(|v| {
                        v.as_array()
                            .unwrap()
                            .iter()
                            .find(|r| {
                                r["file"].as_str() == std::path::Path::new(&path).file_name().and_then(|n| n.to_str())
                            })
                            .and_then(|r| r["px_per_um"].as_f64())
                    });
                let err = truth.map(|t| r.scale.get() / t - 1.0);
                println!(
                    "{name}: {:.6} px/um ({:.5} um/px) err {} u_fit {:.1e} pull {} rot {:.3} used {} rej {} rms {:.3} px ruling {:.3} um model {:?} (rad {:.2} persp {:.2}; k {:.4} g {:.4?}) width {:.2} snr {:.1} {:?} bright {} {:?}",
                    r.scale.get(),
                    r.scale.um_per_px(),
                    err.map_or("-".into(), |e| format!("{e:+.2e}")),
                    r.u_rel_fit,
                    err.map_or("-".into(), |e| format!("{:+.1}", e / r.u_rel_fit)),
                    r.rotation.degrees(),
                    r.used(),
                    r.rejected(),
                    r.residual_rms.get(),
                    r.ruling_sd.get(),
                    r.map.model,
                    r.evidence_radial,
                    r.evidence_perspective,
                    r.map.radial,
                    r.map.perspective,
                    r.line_width.get(),
                    r.signal_to_noise,
                    r.long_graduations,
                    r.bright_lines,
                    t.elapsed()
                );
                for w in &r.warnings {
                    println!("      ! {w}");
                }
            }
        }
    }
}
