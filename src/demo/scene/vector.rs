//! Places and directions in the made-up world: x east, y up, z north, in metres.

use std::ops::{Add, Mul, Sub};

#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Vector {
    pub x: f64,
    pub y: f64,
    pub z: f64,
}

pub const fn vector(x: f64, y: f64, z: f64) -> Vector {
    Vector { x, y, z }
}

impl Vector {
    pub fn dot(self, o: Vector) -> f64 {
        self.x * o.x + self.y * o.y + self.z * o.z
    }

    pub fn length(self) -> f64 {
        self.dot(self).sqrt()
    }

    pub fn unit(self) -> Vector {
        self * (1.0 / self.length())
    }
}

impl Add for Vector {
    type Output = Vector;
    fn add(self, o: Vector) -> Vector {
        vector(self.x + o.x, self.y + o.y, self.z + o.z)
    }
}

impl Sub for Vector {
    type Output = Vector;
    fn sub(self, o: Vector) -> Vector {
        vector(self.x - o.x, self.y - o.y, self.z - o.z)
    }
}

impl Mul<f64> for Vector {
    type Output = Vector;
    fn mul(self, s: f64) -> Vector {
        vector(self.x * s, self.y * s, self.z * s)
    }
}
