//! How the camera sees the plate: exact geometry, forwards and backwards.
//!
//! In: how the plate lies ([`Lie`]) and how the camera stands to it ([`Stand`]). Out: [`Optics`], between millimetres on the
//! plate as its upright, right-reading picture lies and pixels of the sensor. Never fails.
//! A pinhole and a plane (Hartley & Zisserman, section 8.1.1), then Brown's radial distortion x_d = x (1 + k1 r² + k2 r⁴), r in
//! units of half the frame's diagonal. Written apart from the crate's own geometry, which is measured against it.

use crate::geometry::Point;

/// How a plate of some size was laid on the panel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lie {
    /// Size of the upright picture.
    pub width_mm: f64,
    pub height_mm: f64,
    /// Emulsion up: the camera sees the picture mirrored.
    pub mirrored: bool,
    /// Degrees clockwise, 0, 90, 180 or 270, by which what the sensor saw must be turned, after mirroring, to stand upright.
    pub rotate: u16,
}

/// How the camera stands over the plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stand {
    pub columns: usize,
    pub rows: usize,
    /// Sampling where the optical axis meets the plate.
    pub px_per_mm: f64,
    /// Degrees clockwise by which the plate is turned on the panel.
    pub turn_deg: f64,
    /// Degrees by which the plate leans about the frame's x and y axes.
    pub tilt_deg: [f64; 2],
    /// Place on the plate that the optical axis meets, from the plate's middle, along the plate's sides as the sensor sees them.
    pub aim_mm: [f64; 2],
    /// Distance of the sensor in pixels: how wide the lens sees.
    pub focal_px: f64,
    /// Where the axis meets the sensor, from the frame's middle.
    pub axis_px: [f64; 2],
    pub k1: f64,
    pub k2: f64,
}

type Matrix = [[f64; 3]; 3];

/// Both ways between the plate and the sensor.
#[derive(Debug, Clone)]
pub struct Optics {
    /// Millimetres of the upright picture to pixels of a lens without distortion, row by row.
    pub plane: Matrix,
    back: Matrix,
    pub axis: Point,
    /// Pixels that count as r = 1.
    pub radius: f64,
    pub k1: f64,
    pub k2: f64,
    /// Ideal radius over seen radius, at even steps of the seen radius squared.
    undo: Vec<f64>,
}

/// The undistorting table's end, in r² as seen, and its number of steps: fine enough for 1e-7 of the radius.
const UNDO_END: f64 = 2.0;
const UNDO_STEPS: usize = 8192;

impl Optics {
    pub fn new(lie: &Lie, stand: &Stand) -> Optics {
        let plane = normalised(product(&project(lie, stand), &lay(lie)));
        let (cx, cy) = (stand.columns as f64 / 2.0, stand.rows as f64 / 2.0);
        let axis = Point::new(cx + stand.axis_px[0], cy + stand.axis_px[1]);
        let bend = |r: f64| r * (1.0 + r * r * (stand.k1 + r * r * stand.k2));
        let undo = |seen_squared: f64| {
            let seen: f64 = seen_squared.sqrt();
            if seen == 0.0 {
                return 1.0;
            }
            // Bisection: slow and certain.
            let (mut low, mut high) = (0.0, 2.0 * seen);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if bend(middle) < seen { low = middle } else { high = middle }
            }
            0.5 * (low + high) / seen
        };
        let undo = (0..=UNDO_STEPS).map(|i| undo(UNDO_END * i as f64 / UNDO_STEPS as f64)).collect();
        Optics { plane, back: inverse(&plane), axis, radius: cx.hypot(cy), k1: stand.k1, k2: stand.k2, undo }
    }

    /// Where a place on the plate is seen.
    pub fn to_px(&self, mm: Point) -> Point {
        let d = apply(&self.plane, mm) - self.axis;
        let r2 = (d.x * d.x + d.y * d.y) / (self.radius * self.radius);
        self.axis + d * (1.0 + r2 * (self.k1 + r2 * self.k2))
    }

    /// Which place on the plate's plane a pixel sees.
    pub fn to_mm(&self, px: Point) -> Point {
        let d = px - self.axis;
        let r2 = (d.x * d.x + d.y * d.y) / (self.radius * self.radius);
        let position = (r2 / UNDO_END * UNDO_STEPS as f64).min(UNDO_STEPS as f64 - 1.0);
        let (i, share) = (position as usize, position.fract());
        let ideal = self.axis + d * (self.undo[i] * (1.0 - share) + self.undo[i + 1] * share);
        apply(&self.back, ideal)
    }

    /// The upright picture's corners as seen: top-left, top-right, bottom-right, bottom-left.
    pub fn corners(&self, lie: &Lie) -> [Point; 4] {
        let (w, h) = (lie.width_mm, lie.height_mm);
        [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| self.to_px(Point::new(x, y)))
    }
}

/// From the upright picture to the plate as the sensor sees it, both in millimetres from their top-left corners.
fn lay(lie: &Lie) -> Matrix {
    let (w, h) = (lie.width_mm, lie.height_mm);
    let (unturn, wide) = match lie.rotate % 360 {
        90 => ([[0.0, 1.0, 0.0], [-1.0, 0.0, w], [0.0, 0.0, 1.0]], h),
        180 => ([[-1.0, 0.0, w], [0.0, -1.0, h], [0.0, 0.0, 1.0]], w),
        270 => ([[0.0, -1.0, h], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]], h),
        _ => ([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], w),
    };
    let mirror = [[-1.0, 0.0, wide], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    if lie.mirrored { product(&mirror, &unturn) } else { unturn }
}

/// From the plate as seen to ideal pixels: turned on the panel, leaned, set before the pinhole.
fn project(lie: &Lie, stand: &Stand) -> Matrix {
    let sideways = lie.rotate % 180 == 90;
    let (w, h) = if sideways { (lie.height_mm, lie.width_mm) } else { (lie.width_mm, lie.height_mm) };
    let about_axis = [[1.0, 0.0, -w / 2.0 - stand.aim_mm[0]], [0.0, 1.0, -h / 2.0 - stand.aim_mm[1]], [0.0, 0.0, 1.0]];
    let (ts, tc) = stand.turn_deg.to_radians().sin_cos();
    let (xs, xc) = stand.tilt_deg[0].to_radians().sin_cos();
    let (ys, yc) = stand.tilt_deg[1].to_radians().sin_cos();
    let distance = stand.focal_px / stand.px_per_mm;
    // Columns: where the plate's x and y directions point after turning, leaning about x, leaning about y; then its place.
    let lean = |[x, y, z]: [f64; 3]| {
        let (y, z) = (xc * y - xs * z, xs * y + xc * z);
        [yc * x + ys * z, y, -ys * x + yc * z]
    };
    let (a, b) = (lean([tc, ts, 0.0]), lean([-ts, tc, 0.0]));
    let pose = [[a[0], b[0], 0.0], [a[1], b[1], 0.0], [a[2], b[2], distance]];
    let (f, cx, cy) =
        (stand.focal_px, stand.columns as f64 / 2.0 + stand.axis_px[0], stand.rows as f64 / 2.0 + stand.axis_px[1]);
    let pinhole = [[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]];
    product(&pinhole, &product(&pose, &about_axis))
}

pub(crate) fn product(a: &Matrix, b: &Matrix) -> Matrix {
    std::array::from_fn(|r| std::array::from_fn(|c| (0..3).map(|k| a[r][k] * b[k][c]).sum()))
}

fn normalised(m: Matrix) -> Matrix {
    m.map(|row| row.map(|v| v / m[2][2]))
}

fn inverse(m: &Matrix) -> Matrix {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
    std::array::from_fn(|r| std::array::from_fn(|c| minor(c, r) / determinant))
}

fn apply(m: &Matrix, p: Point) -> Point {
    let row = |r: usize| m[r][0] * p.x + m[r][1] * p.y + m[r][2];
    let w = row(2);
    Point::new(row(0) / w, row(1) / w)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lie(rotate: u16, mirrored: bool) -> Lie {
        Lie { width_mm: 160.0, height_mm: 120.0, mirrored, rotate }
    }

    fn stand() -> Stand {
        Stand {
            columns: 4000,
            rows: 3000,
            px_per_mm: 20.0,
            turn_deg: 0.0,
            tilt_deg: [0.0; 2],
            aim_mm: [0.0; 2],
            focal_px: 4500.0,
            axis_px: [0.0; 2],
            k1: 0.0,
            k2: 0.0,
        }
    }

    fn near(a: Point, x: f64, y: f64) {
        assert!(a.distance(Point::new(x, y)) < 1e-9, "{a:?} is not {x}, {y}");
    }

    /// Worked by hand: a square-on camera of 20 px/mm over the middle of a 160 × 120 mm plate.
    #[test]
    fn a_plate_square_on_lies_where_arithmetic_says() {
        let [tl, tr, br, bl] = Optics::new(&lie(0, false), &stand()).corners(&lie(0, false));
        near(tl, 400.0, 300.0);
        near(tr, 3600.0, 300.0);
        near(br, 3600.0, 2700.0);
        near(bl, 400.0, 2700.0);
    }

    /// Mirrored: the picture's left is seen on the right. Turned clockwise by 90 afterwards to stand upright: the upright
    /// picture's top was, before that, the left side of the mirrored view, so the right side of what the sensor saw.
    #[test]
    fn mirroring_and_turning_are_undone_in_the_order_of_the_notes() {
        near(Optics::new(&lie(0, true), &stand()).corners(&lie(0, true))[0], 3600.0, 300.0);
        near(Optics::new(&lie(180, false), &stand()).corners(&lie(180, false))[0], 3600.0, 2700.0);
        // Plate 160 wide upright lies 120 wide on the panel: it spans 800 to 3200 across, −100 to 3100 down.
        let [tl, tr, ..] = Optics::new(&lie(90, false), &stand()).corners(&lie(90, false));
        near(tl, 800.0, 3100.0);
        near(tr, 800.0, -100.0);
        let [tl, tr, ..] = Optics::new(&lie(90, true), &stand()).corners(&lie(90, true));
        near(tl, 3200.0, 3100.0);
        near(tr, 3200.0, -100.0);
        let [tl, tr, ..] = Optics::new(&lie(270, false), &stand()).corners(&lie(270, false));
        near(tl, 3200.0, -100.0);
        near(tr, 3200.0, 3100.0);
    }

    #[test]
    fn there_and_back_is_where_it_began() {
        let stand = Stand {
            turn_deg: 9.0,
            tilt_deg: [1.5, -2.0],
            aim_mm: [7.0, -3.0],
            axis_px: [12.0, -8.0],
            k1: -0.09,
            k2: 0.02,
            ..stand()
        };
        let optics = Optics::new(&lie(270, true), &stand);
        for i in 0..200 {
            let mm = Point::new(f64::from(i % 20) * 8.0, f64::from(i / 20) * 12.0);
            let back = optics.to_mm(optics.to_px(mm));
            assert!(back.distance(mm) < 2e-6, "{mm:?} came back as {back:?}");
        }
    }

    /// A plane leaned by θ about x shows its near half larger: px = f·Y·cosθ / (d + Y·sinθ), by hand.
    #[test]
    fn a_leaning_plate_is_seen_in_perspective() {
        let stand = Stand { tilt_deg: [2.0, 0.0], ..stand() };
        let p = Optics::new(&lie(0, false), &stand).to_px(Point::new(80.0, 120.0));
        let (s, c) = 2f64.to_radians().sin_cos();
        let (d, y) = (4500.0 / 20.0, 60.0);
        near(p, 2000.0, 1500.0 + 4500.0 * y * c / (d + y * s));
    }
}
