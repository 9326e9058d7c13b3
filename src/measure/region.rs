//! A rectangle of a picture, as people give it: in millimetres or in pixels.
//!
//! In: "x,y,width,height". Out: four numbers, and the whole pixels that they cover. Fails for what is no such rectangle, and for one
//! that leaves the picture.

use crate::error::Fault;
use crate::image::{Size, Window};
use std::str::FromStr;

/// x, y of the top left corner, width and height; the unit is the caller's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    pub x: f64,
    pub y: f64,
    pub width: f64,
    pub height: f64,
}

impl FromStr for Region {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let numbers: Option<Vec<f64>> =
            text.split(',').map(|part| part.trim().parse().ok().filter(|v: &f64| v.is_finite())).collect();
        match numbers.as_deref() {
            Some([x, y, width, height]) if *width > 0.0 && *height > 0.0 => {
                Ok(Region { x: *x, y: *y, width: *width, height: *height })
            }
            _ => Err(Fault::new(
                format!("`{text}` is no rectangle"),
                "give x,y,width,height as four numbers, width and height above 0",
            )),
        }
    }
}

impl Region {
    /// The pixels whose centres lie inside, at `scale` pixels a unit, in a picture of a size.
    pub fn window(&self, scale: f64, size: Size) -> Result<Window, Fault> {
        // Centres lie at half-integers, so the first pixel whose centre is at or beyond x is ceil(x − ½).
        let first = |at: f64| (at * scale - 0.5).ceil();
        let (left, top) = (first(self.x), first(self.y));
        let (right, bottom) = (first(self.x + self.width), first(self.y + self.height));
        if left < 0.0 || top < 0.0 || right > size.columns as f64 || bottom > size.rows as f64 {
            let (wide, high) = (size.columns as f64 / scale, size.rows as f64 / scale);
            return Err(Fault::new(
                format!("the rectangle {self} leaves the picture"),
                format!("stay within {wide:.2} by {high:.2}"),
            ));
        }
        let window = Window {
            row: top as usize,
            column: left as usize,
            size: Size::new((bottom - top) as usize, (right - left) as usize),
        };
        if window.size.area() == 0 {
            return Err(Fault::new(format!("the rectangle {self} holds no pixel"), "make it larger"));
        }
        Ok(window)
    }
}

impl std::fmt::Display for Region {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{},{},{},{}", self.x, self.y, self.width, self.height)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rectangle_covers_the_pixels_whose_centres_it_holds() {
        let region: Region = "1, 2,3,4".parse().unwrap();
        let window = region.window(10.0, Size::new(100, 100)).unwrap();
        assert_eq!((window.row, window.column, window.size), (20, 10, Size::new(40, 30)));
        let window = "0.6,0,1,1".parse::<Region>().unwrap().window(1.0, Size::new(9, 9)).unwrap();
        assert_eq!((window.column, window.size), (1, Size::new(1, 1)));
    }

    #[test]
    fn what_is_no_rectangle_is_refused() {
        for text in ["", "1,2,3", "1,2,3,0", "1,2,3,-1", "a,b,c,d", "1,2,3,NaN", "1,2,3,4,5", "inf,0,1,1"] {
            assert!(text.parse::<Region>().is_err(), "{text}");
        }
        let region: Region = "5,5,6,1".parse().unwrap();
        assert!(region.window(1.0, Size::new(10, 10)).unwrap_err().what().contains("leaves"));
        assert!("5,5,0.1,0.1".parse::<Region>().unwrap().window(1.0, Size::new(10, 10)).is_err());
    }
}
