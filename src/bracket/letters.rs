//! Words drawn into a picture, for captions.
//!
//! In: a line of text and a height in pixels. Out: coverage, 0 to 1, as high as was asked. Letters that the face lacks are drawn as
//! a question mark; the notes themselves keep them. Never fails.
//!
//! The face is Noto Sans Mono (SIL Open Font License), drawn beforehand at 32 pixels.

use crate::geometry::Point;
use crate::geometry::resample::{Kernel, resample};
use crate::image::{Image, Size};
use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};

const STYLE: FontWeight = FontWeight::Regular;
const DRAWN: RasterHeight = RasterHeight::Size32;

/// One line of text, `height` pixels high from the top of its tallest letters to below its lowest.
pub fn line(text: &str, height: usize) -> Image<f32> {
    let (drawn, wide) = (DRAWN.val(), get_raster_width(STYLE, DRAWN));
    let letters: Vec<char> = text.chars().filter(|c| !c.is_control()).collect();
    let mut whole = Image::filled(Size::new(drawn, (letters.len() * wide).max(1)), 0f32);
    for (i, letter) in letters.iter().enumerate() {
        let Some(face) = get_raster(*letter, STYLE, DRAWN).or_else(|| get_raster('?', STYLE, DRAWN)) else { continue };
        for (row, line) in face.rows().enumerate() {
            let start = i * wide;
            whole.row_mut(row)[start..start + wide]
                .iter_mut()
                .zip(line)
                .for_each(|(to, v)| *to = f32::from(*v) / 255.0);
        }
    }
    let ratio = drawn as f64 / height as f64;
    let size = Size::new(height, ((whole.columns() as f64 / ratio).ceil() as usize).max(1));
    resample(&whole, size, &Kernel::new(ratio), |p| Point::new(p.x * ratio, p.y * ratio)).map(|v| v.clamp(0.0, 1.0))
}

/// Letters of a line of this height that fit into a width.
pub fn fitting(width: usize, height: usize) -> usize {
    (width * DRAWN.val() / (height * get_raster_width(STYLE, DRAWN)).max(1)).max(1)
}

/// Text broken at spaces into lines of at most so many letters; a longer word is cut.
pub fn broken(text: &str, letters: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let mut word: Vec<char> = word.chars().collect();
        while !word.is_empty() {
            let room = lines.last().map_or(0, |l| letters.saturating_sub(l.chars().count() + 1));
            if word.len() <= room {
                let last = lines.last_mut().expect("a line with room");
                last.push(' ');
                last.extend(word.drain(..));
            } else {
                let take = word.len().min(letters);
                lines.push(word.drain(..take).collect());
            }
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_have_ink_and_the_width_that_was_reckoned() {
        for height in [12, 32, 60] {
            let drawn = line("f/22, ½ s · 20 °C ü", height);
            let ink: f32 = drawn.pixels().iter().sum::<f32>() / drawn.size().area() as f32;
            assert!(drawn.rows() == height && ink > 0.05 && ink < 0.4, "{height}: ink {ink}");
            assert!(fitting(drawn.columns(), height) >= 19);
        }
        assert_eq!(line("", 20).columns(), 1);
        assert_eq!(line("漢\n", 32), line("?", 32));
    }

    #[test]
    fn lines_break_at_spaces_and_lose_nothing() {
        let told = "pyro 1+15, 7.5 min at 20 °C, averyverylongwordindeed";
        let lines = broken(told, 12);
        assert!(lines.iter().all(|l| l.chars().count() <= 12), "{lines:?}");
        assert_eq!(lines.concat().replace(' ', ""), told.replace(' ', ""));
    }
}
