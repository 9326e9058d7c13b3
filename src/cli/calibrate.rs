//! `hyaline calibrate …`: capture profiles from frames whose light is known.

mod lens;
mod response;
mod tablet;

use super::{Common, Outcome};
use crate::archive;
use crate::error::{Error, Fault, InFile};
use crate::frame::profile::{Camera, CaptureProfile};
use crate::frame::{Frame, Settings};
use std::path::{Path, PathBuf};

/// What stands above the numbers of a profile that was made here.
const HEADING: &str = "\
# A capture profile of hyaline. Name it in the notes: [copy] profile = \"profiles/this-file.toml\"
#
# transfer    how codes stand for light: \"srgb\", \"linear\", or a table. `codes` are shares of full scale, rising from 0 to 1; `light` holds
#             one list for all channels, or three for red, green and blue: light at each code, never falling, 1 at full scale. Between codes
#             the curve is straight.
# correction  densities as they were `read` and the `density` that was there, of a step tablet, straight between; both from 0; sd: the
#             standard uncertainty at each.
#             with_glare: the glare of the tablet's frame is corrected along, and no other is taken off.
# lens        k1, k2: a point at r goes to r (1 + k1 r² + k2 r⁴), r in halves of the frame's diagonal; centre: from the frame's middle, likewise.
# camera      what Exif said of the frames it was made from; other cameras' captures are read by the built-in profile that `others` names,
#             or by this one and warned of (profile-camera).
# fit         what was left over, and standard uncertainties; densities are log10 of light.

";

#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// The response curve of a camera's JPEG, HEIC or PNG, from the bare panel at several exposures
    #[command(after_help = "Examples:\n  hyaline calibrate response ladder-*.jpg --to profiles/phone.toml\n  \
        hyaline calibrate response a.jpg b.jpg c.jpg --times 1/60,1/30,1/15 --to phone.toml\n  \
        hyaline calibrate response a.jpg b.jpg c.jpg --stops 0,-1,-2 --to phone.toml\n\n\
        Five to ten frames a stop apart, from nearly black to just clipping; the panel fills the frame, nothing lies on it, and nothing moves.")]
    Response(response::Args),
    /// The correction of densities, from a step tablet
    #[command(
        after_help = "Examples:\n  hyaline calibrate tablet wedge.jpg --steps 21x0.15 --blank blank-*.jpg --to profiles/phone.toml\n  \
        hyaline calibrate tablet wedge.jpg --densities wedge.csv --blank blank-*.jpg --profile profiles/phone.toml --to profiles/phone.toml --force\n  \
        hyaline calibrate tablet wedge.jpg --steps 31x0.10 --ends 310,1480,3700,1466 --blank blank.jpg --to phone.toml\n\n\
        wedge.csv holds one density a line, from clear to dense. Copy the tablet at the exposure that the plates are copied at."
    )]
    Tablet(tablet::Args),
    /// The distortion of a lens, from frames of a plane grid of dots
    #[command(
        after_help = "Example:\n  hyaline calibrate lens grid-*.jpg --grid 17x13,10 --profile profiles/phone.toml --to profiles/phone.toml --force\n\n\
        Copy the grid with the lens, stop and distance that the plates are copied with; two or three frames that fill the corners."
    )]
    Lens(lens::Args),
}

/// Where the profile goes.
#[derive(Debug, clap::Args)]
struct To {
    /// The profile to write
    #[arg(long, value_name = "FILE.toml")]
    to: PathBuf,
    /// Its name, in place of the file's
    #[arg(long)]
    name: Option<String>,
    /// A built-in profile for captures of other cameras in the same session; without it they are read by this one, and warned of
    #[arg(long, value_name = "srgb|linear", value_parser = ["srgb", "linear"])]
    others: Option<String>,
    /// Write over a file that is there
    #[arg(long)]
    force: bool,
}

/// Runs the command as if `words` had been typed after `hyaline calibrate`.
pub fn typed(words: &[String], common: &Common) -> Outcome {
    use clap::{Args as _, FromArgMatches};
    let command = Args::augment_args(clap::Command::new("calibrate").no_binary_name(true));
    let args = command.try_get_matches_from(words).and_then(|found| Args::from_arg_matches(&found));
    match args {
        Ok(args) => run(&args, common),
        Err(e) => Error::new(Path::new("calibrate"), Fault::new(e.to_string(), "look at its --help")).into(),
    }
}

pub fn run(args: &Args, _: &Common) -> Outcome {
    let done = match &args.what {
        What::Response(args) => response::run(args),
        What::Tablet(args) => tablet::run(args),
        What::Lens(args) => lens::run(args),
    };
    done.unwrap_or_else(Outcome::failed)
}

impl To {
    /// Before an hour's work: whether the file may be written.
    fn free(&self) -> Result<(), Error> {
        if self.to.exists() && !self.force {
            return Err(Error::new(
                &self.to,
                Fault::new("it is there already", "name another file, or --force to write over it"),
            ));
        }
        Ok(())
    }

    fn name(&self) -> String {
        let stem = || self.to.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        self.name.clone().unwrap_or_else(stem)
    }

    /// Writes a profile that is sure to be read again.
    fn write(&self, profile: &CaptureProfile) -> Result<(), Error> {
        let text = format!("{HEADING}{}", profile.to_toml());
        CaptureProfile::parse(&text).in_file(&self.to)?;
        archive::atomic::write_whole(&self.to, text.as_bytes())
    }
}

fn camera(settings: &Settings) -> Option<Camera> {
    let camera =
        Camera { make: settings.make.clone(), model: settings.model.clone(), lens: settings.lens_model.clone() };
    (camera != Camera::default()).then_some(camera)
}

/// The day that the frames were taken, by the camera's clock.
fn date(settings: &Settings) -> Option<jiff::civil::Date> {
    settings.taken.as_deref()?.parse::<jiff::civil::DateTime>().ok().map(|t| t.date())
}

/// Reads a frame, naming the file where it cannot be.
fn read(file: &Path, profile: &CaptureProfile) -> Result<Frame, Error> {
    crate::frame::read(file, profile).in_file(file)
}

/// To so many significant digits, as files hold it.
fn significant(value: f64, digits: i32) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let scale = 10f64.powi(digits - 1 - value.abs().log10().floor() as i32);
    (value * scale).round() / scale
}
