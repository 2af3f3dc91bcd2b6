//! Antennae, legs, furca, wings.

use super::body::Body;

/// One segment of a limb, straight, narrower at its joints.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LimbSegment {
    /// Length from joint to joint, µm.
    pub length_um: f64,
    /// Turn against the segment before (the first against the limb's heading), degrees, positive toward the tail on the
    /// right side and mirrored on the left.
    pub turn_deg: f64,
    /// Greatest width, µm.
    pub width_um: f64,
    /// Width at the joint where it begins, µm.
    pub joint_um: f64,
    /// Light taken or given, as the body's tone.
    pub tone: f64,
}

/// A chain of segments that begins at the body.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Limb {
    /// What it is, such as "antenna left".
    pub name: String,
    /// Where it begins: share along the axis.
    pub along: f64,
    /// Share across, −1 at the left rim, 1 at the right rim.
    pub across: f64,
    /// First heading against the direction forward (toward the head), degrees, turned outward to its side.
    pub heading_deg: f64,
    /// The segments.
    pub segments: Vec<LimbSegment>,
}

/// A wing: a blade, perhaps fringed.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Wing {
    /// Where it begins: share along the axis.
    pub along: f64,
    /// −1 left, 1 right.
    pub side: f64,
    /// Heading against the direction backward (toward the tail), degrees, turned outward.
    pub heading_deg: f64,
    /// Length, µm.
    pub length_um: f64,
    /// Greatest breadth, µm.
    pub breadth_um: f64,
    /// Where along its length it is broadest, 0 to 1.
    pub broadest: f64,
    /// Light taken or given.
    pub tone: f64,
    /// Length of the fringe hairs, µm; 0 for none.
    pub fringe_um: f64,
}

impl Limb {
    /// Joints from the body outward, µm: one more than segments. The last is the tip.
    pub(crate) fn joints(&self, body: &Body) -> Vec<[f64; 2]> {
        let side = if self.across < 0.0 { -1.0 } else { 1.0 };
        let mut at = body.point(self.along, self.across);
        // Forward is against the axis' heading; outward on the right (y down) is a turn to the left.
        let forward = body.heading(self.along) + std::f64::consts::PI;
        let mut direction = forward - side * self.heading_deg.to_radians();
        let mut joints = vec![at];
        for segment in &self.segments {
            direction -= side * segment.turn_deg.to_radians();
            at = [at[0] + segment.length_um * direction.cos(), at[1] + segment.length_um * direction.sin()];
            joints.push(at);
        }
        joints
    }

    /// Polygons with their tones, from the body outward, µm: the segments, and a round at each joint's inner side.
    pub(crate) fn polygons(&self, body: &Body) -> Vec<(Vec<[f64; 2]>, f64)> {
        let joints = self.joints(body);
        let mut out = Vec::new();
        for (i, segment) in self.segments.iter().enumerate() {
            let next_joint = self.segments.get(i + 1).map(|s| s.joint_um);
            out.push((round(joints[i], segment.joint_um / 2.0), segment.tone));
            out.push((blade(joints[i], joints[i + 1], segment, next_joint), segment.tone));
        }
        out
    }
}

/// A segment from `a` to `b`; without a next joint its end is round.
fn blade(a: [f64; 2], b: [f64; 2], segment: &LimbSegment, next_joint: Option<f64>) -> Vec<[f64; 2]> {
    const N: usize = 32;
    let length = (b[0] - a[0]).hypot(b[1] - a[1]).max(1e-9);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let half = |t: f64| {
        let belly = (std::f64::consts::PI * t).sin().max(0.0).powf(0.6);
        let (from, mid) = (segment.joint_um / 2.0, segment.width_um / 2.0);
        match next_joint {
            Some(joint) => {
                let ends = from + (joint / 2.0 - from) * t;
                ends + (mid - ends) * belly
            }
            None => {
                // Rises like the others, then keeps its width up to the round end.
                let width = if t < 0.5 { from + (mid - from) * belly } else { mid };
                let cap = (mid / length).min(0.5);
                let over = ((t - (1.0 - cap)) / cap).clamp(0.0, 1.0);
                width * (1.0 - over * over).sqrt()
            }
        }
    };
    // Crowded toward both ends, for the round one.
    let share = |i: usize| (1.0 - (std::f64::consts::PI * i as f64 / N as f64).cos()) / 2.0;
    let point = |t: f64, side: f64| {
        let (s, w) = (t * length, side * half(t));
        [a[0] + s * along[0] - w * along[1], a[1] + s * along[1] + w * along[0]]
    };
    (0..=N).map(|i| point(share(i), 1.0)).chain((0..=N).rev().map(|i| point(share(i), -1.0))).collect()
}

/// A disc as a polygon.
pub(crate) fn round(centre: [f64; 2], radius: f64) -> Vec<[f64; 2]> {
    (0..48)
        .map(|i| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / 48.0).sin_cos();
            [centre[0] + radius * cos, centre[1] + radius * sin]
        })
        .collect()
}

impl Wing {
    /// The blade and the hairs of its fringe, with their tones, µm.
    pub(crate) fn polygons(&self, body: &Body) -> Vec<(Vec<[f64; 2]>, f64)> {
        const N: usize = 60;
        let base = body.point(self.along, self.side * 0.8);
        let direction = body.heading(self.along) + self.side * self.heading_deg.to_radians();
        let (sin, cos) = direction.sin_cos();
        let half = |t: f64| {
            // A blade that widens to `broadest` and closes in a round end.
            let rise = (t / self.broadest.clamp(0.05, 0.95)).min(1.0);
            let fall = ((t - self.broadest) / (1.0 - self.broadest).max(0.05)).clamp(0.0, 1.0);
            self.breadth_um / 2.0
                * (0.15 + 0.85 * (std::f64::consts::FRAC_PI_2 * rise).sin())
                * (1.0 - fall * fall).sqrt()
        };
        let at = |along: f64, across: f64| [base[0] + along * cos - across * sin, base[1] + along * sin + across * cos];
        let rim = |i: usize, side: f64| {
            let t = (1.0 - (std::f64::consts::PI * i as f64 / N as f64).cos()) / 2.0;
            at(t * self.length_um, side * half(t))
        };
        let blade: Vec<[f64; 2]> = (0..=N).map(|i| rim(i, 1.0)).chain((0..=N).rev().map(|i| rim(i, -1.0))).collect();
        let mut out = vec![(blade, self.tone)];
        if self.fringe_um > 0.0 {
            let rim: Vec<[f64; 2]> = out[0].0.clone();
            let middle = at(0.6 * self.length_um, 0.0);
            out.extend(self.fringe(&rim, base, middle));
        }
        out
    }

    /// Hairs a few µm apart along the rim, the longer the farther out, fanning from the wing's middle.
    fn fringe(&self, rim: &[[f64; 2]], base: [f64; 2], middle: [f64; 2]) -> Vec<(Vec<[f64; 2]>, f64)> {
        const SPACING_UM: f64 = 9.0;
        const HALF_WIDTH_UM: f64 = 0.5;
        let mut out = Vec::new();
        let mut until_next = 0.0;
        for w in rim.windows(2) {
            let step = (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]);
            let mut along = until_next;
            while along < step {
                let f = along / step;
                let p = [w[0][0] + f * (w[1][0] - w[0][0]), w[0][1] + f * (w[1][1] - w[0][1])];
                let share = (p[0] - base[0]).hypot(p[1] - base[1]) / self.length_um;
                let length = self.fringe_um * ((share - 0.2) / 0.6).clamp(0.0, 1.0);
                let from_middle = [p[0] - middle[0], p[1] - middle[1]];
                let far = from_middle[0].hypot(from_middle[1]).max(1e-9);
                // Half outward from the wing's middle, half square to the rim.
                let outward = [(w[1][1] - w[0][1]) / step, -(w[1][0] - w[0][0]) / step];
                let sign = (outward[0] * from_middle[0] + outward[1] * from_middle[1]).signum();
                let mut lean = [0, 1].map(|k| from_middle[k] / far + 0.8 * sign * outward[k]);
                let size = lean[0].hypot(lean[1]).max(1e-9);
                lean = lean.map(|v| v / size);
                let side = [-lean[1] * HALF_WIDTH_UM, lean[0] * HALF_WIDTH_UM];
                if length > 1.0 {
                    let tip = [p[0] + lean[0] * length, p[1] + lean[1] * length];
                    out.push((
                        vec![[p[0] + side[0], p[1] + side[1]], tip, [p[0] - side[0], p[1] - side[1]]],
                        self.tone + 0.3,
                    ));
                }
                along += SPACING_UM;
            }
            until_next = along - step;
        }
        out
    }
}
