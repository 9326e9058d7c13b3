"""The copying camera: where a point of the plate falls on the sensor, and how even the light is.

In: millimetres on the plate, as the finished picture lies (right-reading, turned by `rotate`).
Out: sensor pixels, x to the right and y down, pixel (0, 0) covering [0, 1) x [0, 1).

Pinhole and plane (Hartley & Zisserman, ch. 8), radial distortion after Brown: r_d = r (1 + k1 r^2 + k2 r^4), with r = 1 at the
half diagonal, so that k1 + k2 is the relative displacement at the corner. Written apart from the program, on purpose.
"""

from dataclasses import dataclass, field

import numpy as np

SAFE_RADIUS = 1.6  # half diagonals up to which the inverse of the distortion is tabulated


@dataclass
class Camera:
    """One camera on its stand, with the panel under it: everything that stays the same from frame to frame."""

    width: int
    height: int
    k1: float = 0.0
    k2: float = 0.0
    centre: tuple = (0.0, 0.0)  # principal point, px off the middle of the sensor
    tilt: tuple = (0.0, 0.0)  # degrees about x and y
    focal: float = 1.0  # focal length as a multiple of the sensor's width
    blur: float = 0.65  # sigma of the lens's blur, px; the pixel's own box comes on top
    vignetting: float = 0.30  # light lost at the corner by the lens
    falloff: float = 0.10  # light lost at the corner by the panel
    hot_spot: float = 0.06
    gradient: tuple = (0.03, -0.02)
    glare: float = 0.0  # veil, as a share of the mean light on the sensor
    full_well: float = 40_000.0  # electrons at saturation
    read_noise: float = 3.0  # electrons
    response: float = 0.003  # spread of the photosites' own response
    dust: int = 6  # specks on the sensor
    seed: int = 1
    tint: tuple = (1.0, 1.0, 1.0)  # the panel's colour through the camera's channels
    hue_drift: float = 0.02  # how far that colour changes over the field
    lateral: tuple = (0.0, 0.0)  # how much larger the lens draws red and blue than green, as a share
    fixed: dict = field(default_factory=dict, repr=False)  # light and response, worked out once

    @property
    def half_diagonal(self):
        return 0.5 * float(np.hypot(self.width, self.height))

    @property
    def principal(self):
        return np.array([self.width / 2 + self.centre[0], self.height / 2 + self.centre[1]])

    def distort(self, uv):
        """Undistorted offsets from the principal point (px) to sensor pixels."""
        r2 = (uv**2).sum(-1, keepdims=True) / self.half_diagonal**2
        return uv * (1 + self.k1 * r2 + self.k2 * r2**2) + self.principal

    def undistort(self, px):
        """Sensor pixels to undistorted offsets, by a table of the radius that is exact to 1e-7 of the half diagonal."""
        uv = np.asarray(px, float) - self.principal
        rd = np.sqrt((uv**2).sum(-1)) / self.half_diagonal
        r = np.linspace(0, SAFE_RADIUS, 40_001)
        table = r * (1 + self.k1 * r**2 + self.k2 * r**4)
        turning = np.argmax(np.diff(table) <= 0) or len(table)  # strong barrel folds over far outside the frame
        back = np.interp(rd, table[:turning], r[:turning])
        return uv * np.where(rd > 1e-12, back / np.maximum(rd, 1e-12), 1.0)[..., None]


@dataclass
class Pose:
    """How the plate lies under the camera."""

    size: tuple  # mm, as the finished picture lies
    scale: float  # px on the sensor per mm, at the optical axis
    turn: float = 0.0  # degrees, clockwise on the sensor
    shift: tuple = (0.0, 0.0)  # mm that the plate's middle lies off the axis, in the sensor's directions
    mirrored: bool = True  # emulsion towards the camera
    rotate: int = 0  # what the notes say: degrees clockwise, after mirroring, to the upright picture

    def planar(self):
        """3 x 3: finished millimetres to millimetres on the table, origin on the optical axis."""
        w, h = self.size
        middle = np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1.0]])
        turned = _turn(-self.rotate) @ middle
        flipped = np.diag([-1.0 if self.mirrored else 1.0, 1, 1]) @ turned
        placed = _turn(self.turn) @ flipped
        placed[0, 2] += self.shift[0]
        placed[1, 2] += self.shift[1]
        return placed


def _turn(degrees):
    a = np.deg2rad(degrees)
    return np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])


def homography(camera, pose):
    """Finished millimetres to undistorted offsets from the principal point, px."""
    f = camera.focal * camera.width
    ax, ay = np.deg2rad(camera.tilt)
    about_x = np.array([[1, 0, 0], [0, np.cos(ax), -np.sin(ax)], [0, np.sin(ax), np.cos(ax)]])
    about_y = np.array([[np.cos(ay), 0, np.sin(ay)], [0, 1, 0], [-np.sin(ay), 0, np.cos(ay)]])
    turn = about_y @ about_x
    plane = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, f / pose.scale]])
    return np.diag([f, f, 1.0]) @ plane @ pose.planar()


def project(camera, pose, mm):
    """Finished millimetres (..., 2) to sensor pixels."""
    p = np.asarray(mm, float) @ homography(camera, pose)[:, :2].T + homography(camera, pose)[:, 2]
    return camera.distort(p[..., :2] / p[..., 2:])


def unproject(camera, pose, px):
    """Sensor pixels (..., 2) to finished millimetres."""
    back = np.linalg.inv(homography(camera, pose))
    p = camera.undistort(px) @ back[:, :2].T + back[:, 2]
    return p[..., :2] / p[..., 2:]


def corners(camera, pose):
    """The plate's corners in the capture, px: top-left first, clockwise, as the finished picture lies."""
    w, h = pose.size
    return project(camera, pose, [[0, 0], [w, 0], [w, h], [0, h]])


def light(camera):
    """What the sensor sees of the bare panel in each channel, (3, rows, columns), 1 at the brightest place."""
    if "light" not in camera.fixed:
        x = (np.arange(camera.width, dtype=np.float32) + 0.5 - camera.width / 2) / camera.half_diagonal
        y = (np.arange(camera.height, dtype=np.float32) + 0.5 - camera.height / 2)[:, None] / camera.half_diagonal
        r2 = x**2 + y**2
        vignette = 1 - camera.vignetting * (0.8 * r2 + 0.2 * r2**2)
        spot = np.exp(-((x - 0.15) ** 2 + (y + 0.1) ** 2) / (2 * 0.35**2))
        panel = (1 - camera.falloff * r2) * (1 + camera.hot_spot * spot) * (1 + camera.gradient[0] * x + camera.gradient[1] * y)
        even = vignette * panel
        even /= even.max()
        hue = camera.hue_drift * (x + 0.5 * y)
        camera.fixed["light"] = np.stack([even * t * (1 + s * hue) for t, s in zip(camera.tint, (1, 0, -1))]).astype(np.float32)
    return camera.fixed["light"]


def photosites(camera):
    """What belongs to the sensor itself: the photosites' response and its dust, 1 where there is nothing to see."""
    if "photosites" not in camera.fixed:
        rng = np.random.default_rng(camera.seed)
        own = 1 + camera.response * rng.standard_normal((camera.height, camera.width), dtype=np.float32)
        for _ in range(camera.dust):
            x, y = rng.uniform(0.05, 0.95) * camera.width, rng.uniform(0.05, 0.95) * camera.height
            radius = rng.uniform(2, 5)
            x0, y0 = int(x), int(y)
            patch = own[max(0, y0 - 20) : y0 + 20, max(0, x0 - 20) : x0 + 20]
            yy, xx = np.mgrid[max(0, y0 - 20) : max(0, y0 - 20) + patch.shape[0], max(0, x0 - 20) : max(0, x0 - 20) + patch.shape[1]]
            patch *= 1 - 0.08 * np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * radius**2))
        camera.fixed["photosites"] = own
    return camera.fixed["photosites"]
