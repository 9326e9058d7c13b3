//! Field notes typed in as a table: a CSV file with one row for each plate.
//!
//! In: a CSV file in UTF-8 whose first row names the columns ([`COLUMNS`]), parted by commas, semicolons or tabs; where commas do not
//! part, they may stand in numbers ("7,5"). An empty cell says nothing. Out: [`Row`]s, their values checked as those of
//! session.toml are. Every fault at once, with file, line and column.
//!
//! [`merge`] adds rows to plates by id: what the notes say stays, what they leave open is filled in.

use super::keys::{DEVELOPMENT, EXPOSURE, PLATE, nearest};
use super::print::quoted;
use super::tree::{Notes, Section, shown};
use super::*;
use crate::error::{Error, Fault, InFile, Warning};
use csv::{ByteRecord, ReaderBuilder};
use serde::de::DeserializeOwned;
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::path::Path;
use toml::de::DeTable;

/// Where a column's values go.
#[derive(Debug, Clone, Copy, PartialEq)]
enum To {
    Plate,
    Exposure,
    Development,
    /// Names of captures, parted by blanks or ';'.
    Captures,
}

/// Column, the key it fills, what it holds.
pub struct Column {
    pub name: &'static str,
    pub about: &'static str,
    to: To,
    key: &'static str,
    /// From the column's unit to the key's, for columns of numbers.
    convert: Option<fn(f64) -> f64>,
}

const fn text(name: &'static str, to: To, about: &'static str) -> Column {
    Column { name, about, to, key: name, convert: None }
}

const fn number(name: &'static str, to: To, about: &'static str) -> Column {
    Column { name, about, to, key: name, convert: Some(|value| value) }
}

const fn inches(name: &'static str, key: &'static str, about: &'static str) -> Column {
    Column { name, about, to: To::Exposure, key, convert: Some(|inches| inches * crate::units::MM_PER_INCH) }
}

/// Every column that a table may have; only `id` must be there. Units stand in the names.
pub static COLUMNS: [Column; 27] = [
    text("id", To::Plate, "the plate, as in K-01; must be there"),
    text("size", To::Plate, "nominal size: 4x5in, 9x12cm, half plate (UK)"),
    text(
        "captures",
        To::Captures,
        "file names of its frames, parted by blanks or ';', if their names do not begin with the id",
    ),
    number("rotate", To::Plate, "0, 90, 180 or 270: degrees clockwise to the upright picture"),
    text("notes", To::Plate, "anything"),
    number("ei", To::Exposure, "exposure index that the meter was set to"),
    text("shutter", To::Exposure, "seconds: 1/4, 3 or 0.25"),
    number("aperture", To::Exposure, "f-number as marked, as in 22"),
    number("focal_length_mm", To::Exposure, "millimetres"),
    inches("focal_length_in", "focal_length_mm", "inches, in place of focal_length_mm"),
    text("lens", To::Exposure, "name of the lens"),
    text("filter", To::Exposure, "name of the filter, or none"),
    number("filter_stops", To::Exposure, "stops that the filter costs; 0 if metered through"),
    number("bellows_mm", To::Exposure, "lens to plate, millimetres"),
    inches("bellows_in", "bellows_mm", "lens to plate, inches, in place of bellows_mm"),
    text("time", To::Exposure, "date and time of day, as in 2026-03-14T15:40:00+00:00"),
    number("latitude", To::Exposure, "degrees, north positive"),
    number("longitude", To::Exposure, "degrees, east positive"),
    text("holder", To::Exposure, "plate holder and side"),
    text("developer", To::Development, "name of the developer"),
    text("dilution", To::Development, "parts of stock + parts of water, as in 1+15"),
    number("temperature_c", To::Development, "degrees Celsius"),
    Column {
        name: "temperature_f",
        about: "degrees Fahrenheit, in place of temperature_c",
        to: To::Development,
        key: "temperature_c",
        convert: Some(darkroom::celsius),
    },
    number("minutes", To::Development, "minutes of development"),
    text("agitation", To::Development, "how the bath was moved"),
    text("fixer_dilution", To::Development, "as dilution"),
    number("fix_minutes", To::Development, "minutes in the fixer"),
];

/// The columns and what they hold, a line each.
pub fn columns_help() -> String {
    COLUMNS.iter().map(|column| format!("  {:<16} {}\n", column.name, column.about)).collect()
}

/// What the table says of one plate.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    pub line: usize,
    pub id: String,
    pub size: Option<PlateSize>,
    pub captures: Vec<String>,
    pub rotate: Option<u16>,
    pub notes: Option<String>,
    pub exposure: Exposure,
    pub development: Development,
}

/// Larger tables are no field notes.
const LARGEST_BYTES: u64 = 16 << 20;

/// Reads the table.
pub fn read(file: &Path) -> Result<Vec<Row>, Vec<Error>> {
    let size = std::fs::metadata(file).in_file(file).map_err(|e| vec![e])?;
    if !size.is_file() || size.len() > LARGEST_BYTES {
        return Err(vec![Error::new(
            file,
            Fault::new("is no table of field notes", "name a CSV file of one row a plate"),
        )]);
    }
    let bytes = std::fs::read(file).in_file(file).map_err(|e| vec![e])?;
    parse(file, bytes.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(&bytes))
}

fn parse(file: &Path, bytes: &[u8]) -> Result<Vec<Row>, Vec<Error>> {
    let text = Text::new(bytes);
    let delimiter = delimiter(bytes);
    let mut reader = ReaderBuilder::new()
        .delimiter(delimiter)
        .comment(Some(b'#'))
        .flexible(true)
        .has_headers(false)
        .trim(csv::Trim::All)
        .from_reader(bytes);
    let mut records = reader.byte_records();
    let heading = match records.next() {
        None => {
            return Err(vec![Error::new(
                file,
                Fault::new("is empty", "write a row of column names and a row for each plate"),
            )]);
        }
        Some(heading) => cells(file, &text, heading).map_err(|e| vec![e])?,
    };
    let columns = columns(file, &heading)?;
    let (mut rows, mut errors) = (Vec::<Row>::new(), Vec::new());
    let mut lines = HashMap::new();
    for record in records {
        let cells = match cells(file, &text, record) {
            Ok(cells) if cells.cells.iter().all(String::is_empty) => continue,
            Ok(cells) => cells,
            Err(error) => {
                errors.push(error);
                continue;
            }
        };
        match row(file, &columns, &cells, delimiter != b',') {
            Ok(row) => match lines.entry(row.id.to_ascii_lowercase()) {
                Entry::Occupied(twin) => {
                    let what = format!("column `id` has \"{}\", which line {} has, too", row.id, twin.get());
                    errors.push(Error::at_line(file, row.line, Fault::new(what, "keep one row for each plate")));
                }
                Entry::Vacant(place) => {
                    place.insert(row.line);
                    rows.push(row);
                }
            },
            Err(faults) => errors.extend(faults),
        }
    }
    if errors.is_empty() { Ok(rows) } else { Err(errors) }
}

/// The sign that parts most cells of the first row that is no remark.
fn delimiter(bytes: &[u8]) -> u8 {
    let heading =
        bytes.split(|byte| *byte == b'\n').find(|line| !line.starts_with(b"#") && !line.trim_ascii().is_empty());
    let count = |sign: u8| heading.unwrap_or_default().iter().filter(|byte| **byte == sign).count();
    // The comma comes last, and so wins where there is nothing to part.
    [b'\t', b';', b','].into_iter().max_by_key(|sign| count(*sign)).unwrap_or(b',')
}

struct Cells {
    line: usize,
    cells: Vec<String>,
}

fn cells(file: &Path, text: &Text, record: csv::Result<ByteRecord>) -> Result<Cells, Error> {
    let record = record.map_err(|e| Error::new(file, Fault::new(format!("not CSV: {e}"), "save the table as CSV")))?;
    let line = text.line(record.position().map_or(0, |at| at.byte() as usize));
    let cells: Result<Vec<String>, _> =
        record.iter().map(|cell| std::str::from_utf8(cell).map(str::to_string)).collect();
    let cells = cells.map_err(|_| {
        Error::at_line(file, line, Fault::new("the row is not UTF-8 text", "save the table as CSV in UTF-8"))
    })?;
    Ok(Cells { line, cells })
}

/// The table's bytes, and where its lines end.
struct Text<'a> {
    bytes: &'a [u8],
    ends: Vec<usize>,
}

impl Text<'_> {
    fn new(bytes: &[u8]) -> Text<'_> {
        let ends = bytes.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(at, _)| at).collect();
        Text { bytes, ends }
    }

    /// Line of the row that begins at a byte: the reader takes empty lines and remarks before a row for its beginning.
    fn line(&self, mut at: usize) -> usize {
        let mut line = self.ends.partition_point(|end| *end < at);
        while let Some(end) = self.ends.get(line) {
            let rest = &self.bytes[at..*end];
            if !rest.trim_ascii().is_empty() && !rest.starts_with(b"#") {
                break;
            }
            at = end + 1;
            line += 1;
        }
        line + 1
    }
}

fn columns(file: &Path, heading: &Cells) -> Result<Vec<&'static Column>, Vec<Error>> {
    let bad = |what: String, mend: String| Error::at_line(file, heading.line, Fault::new(what, mend));
    let named = || COLUMNS.iter().map(|column| column.name);
    let found = heading.cells.iter().map(|name| {
        COLUMNS.iter().find(|column| column.name.eq_ignore_ascii_case(name)).ok_or_else(|| {
            let mend = match nearest(name, named()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("the columns are {}", keys::list(named())),
            };
            bad(format!("unknown column `{}`", shown(name)), mend)
        })
    });
    let (columns, mut errors) = crate::error::all(found);
    for (at, column) in columns.iter().enumerate() {
        if let Some(twin) = columns[..at].iter().find(|other| (other.to, other.key) == (column.to, column.key)) {
            let what = format!("columns `{}` and `{}` say the same", twin.name, column.name);
            errors.push(bad(what, "keep one of them".into()));
        }
    }
    if errors.is_empty() && !columns.iter().any(|column| column.name == "id") {
        errors.push(bad("column `id` is missing".into(), "name the plate of each row".into()));
    }
    if errors.is_empty() { Ok(columns) } else { Err(errors) }
}

/// One row, read through the same door as a plate of session.toml: cells become keys, and keys have their checks.
fn row(file: &Path, columns: &[&Column], row: &Cells, decimal_comma: bool) -> Result<Row, Vec<Error>> {
    if row.cells.len() != columns.len() {
        let what = format!("the row has {} cells, and there are {} columns", row.cells.len(), columns.len());
        let mend = "add or take out cells; put text that holds the parting sign in quotes";
        return Err(vec![Error::at_line(file, row.line, Fault::new(what, mend))]);
    }
    let filled: Vec<_> = columns.iter().zip(&row.cells).filter(|(_, cell)| !cell.is_empty()).collect();
    let table = |to: To| -> String {
        let cells = filled.iter().filter(|(column, _)| column.to == to);
        cells.map(|(column, cell)| format!("{} = {}\n", column.key, value(column, cell, decimal_comma))).collect()
    };
    let texts = [To::Plate, To::Exposure, To::Development].map(table);
    let tables = texts.each_ref().map(|text| DeTable::parse(text).map_err(|e| unreadable(file, row.line, &e)));
    let [plate, exposure, development] = tables;
    let (plate, exposure, development) = (plate?, exposure?, development?);

    let notes = Notes::on_line(file, row.line);
    let plate = Section::new(&notes, &PLATE, plate.get_ref(), row.line);
    let exposure = Section::new(&notes, &EXPOSURE, exposure.get_ref(), row.line);
    let development = Section::new(&notes, &DEVELOPMENT, development.get_ref(), row.line);
    let captures = filled.iter().filter(|(column, _)| column.to == To::Captures);
    let read = Row {
        line: row.line,
        id: plates::id(&plate).map_or(String::new(), |id| id.value),
        size: plate.has("size").then(|| plates::size(&plate)).flatten(),
        captures: captures
            .flat_map(|(_, cell)| cell.split([';', ' ', '\n']).filter(|name| !name.is_empty()).map(str::to_string))
            .collect(),
        rotate: plate.has("rotate").then(|| plates::rotate(&plate)),
        notes: plate.plain_text("notes"),
        exposure: plates::exposure(&exposure),
        development: plates::development(&development),
    };
    let errors = notes.into_errors();
    if errors.is_empty() { Ok(read) } else { Err(errors) }
}

/// A cell as TOML: a number where the column holds numbers and the cell is one, else text.
fn value(column: &Column, cell: &str, decimal_comma: bool) -> String {
    let Some(convert) = column.convert else { return quoted(cell) };
    let plain = if decimal_comma { cell.replace(',', ".") } else { cell.to_string() };
    match plain.parse::<f64>().ok().filter(|number| number.is_finite()) {
        // A converted figure has no more digits than were read.
        Some(number) if column.name != column.key => format!("{:?}", (convert(number) * 100.0).round() / 100.0),
        Some(number) => format!("{number:?}"),
        None => quoted(cell),
    }
}

fn unreadable(file: &Path, line: usize, e: &toml::de::Error) -> Vec<Error> {
    vec![Error::at_line(
        file,
        line,
        Fault::new(format!("the row cannot be read: {}", e.message()), "write its cells plainly"),
    )]
}

/// Adds what a row knows to its plate. What the plate's notes say stays, and a warning tells where the table says otherwise.
pub fn merge(plate: &mut Plate, row: &Row) -> Vec<Warning> {
    let mut odd = Vec::new();
    fill(&mut plate.exposure, &row.exposure, &mut odd);
    fill(&mut plate.development, &row.development, &mut odd);
    match (&plate.notes, &row.notes) {
        (None, Some(notes)) => plate.notes = Some(notes.clone()),
        (Some(here), Some(there)) if here != there => odd.push("notes".into()),
        _ => {}
    }
    if let Some(size) = &row.size
        && (size.short_mm, size.long_mm) != (plate.size.short_mm, plate.size.long_mm)
    {
        odd.push("size".into());
    }
    if row.rotate.is_some_and(|turn| turn != plate.rotate) {
        odd.push("rotate".into());
    }
    let warning = |key: String| {
        let message = format!(
            "plate {}: the notes and line {} of the field notes differ in {key}; the notes are kept, so check which is right",
            plate.id, row.line
        );
        Warning::new("field-notes-differ", message)
    };
    odd.into_iter().map(warning).collect()
}

/// Fills the fields of `here` that are none from `there`; names those in which both differ.
fn fill<T: serde::Serialize + DeserializeOwned>(here: &mut T, there: &T, odd: &mut Vec<String>) {
    let fields = |record: &T| match serde_json::to_value(record) {
        Ok(serde_json::Value::Object(fields)) => fields,
        _ => serde_json::Map::new(),
    };
    let mut merged = fields(here);
    // How a time is written does not matter, only how long it is.
    let shutter_agrees = merged.get("shutter_s") == fields(there).get("shutter_s");
    for (key, value) in fields(there) {
        match merged.get(&key) {
            None => {
                merged.insert(key, value);
            }
            Some(kept) if *kept != value && key != "shutter_s" && !(key == "shutter" && shutter_agrees) => {
                odd.push(key)
            }
            Some(_) => {}
        }
    }
    if let Ok(merged) = serde_json::from_value(merged.into()) {
        *here = merged;
    }
}

#[cfg(test)]
mod tests {
    use super::super::good_input::{FILES, WHOLE, folder_with};
    use super::*;
    use proptest::prelude::*;

    fn rows(csv: &str) -> Vec<Row> {
        parse(Path::new("field.csv"), csv.as_bytes()).unwrap_or_else(|errors| panic!("{errors:#?}"))
    }

    fn faults(csv: impl AsRef<[u8]>) -> Vec<String> {
        let errors = parse(Path::new("field.csv"), csv.as_ref()).unwrap_err();
        errors.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_table_is_read_column_by_column() {
        let csv = "# typed in from the pencil sheet\nid,size,ei,shutter,aperture,time,dilution,temperature_f,notes\n\
                   K-01,half plate (UK),2,1/4,22,2026-03-14T15:40:00+00:00,1+15,68,\"wind, from the west\"\n\n\
                   K-02,,,,,,,,\n";
        let rows = rows(csv);
        assert_eq!(rows.len(), 2);
        let first = &rows[0];
        assert_eq!((first.line, first.id.as_str(), first.notes.as_deref()), (3, "K-01", Some("wind, from the west")));
        assert_eq!(first.size.as_ref().unwrap().long_mm, 165.1);
        assert_eq!(
            (first.exposure.ei, first.exposure.shutter_s, first.exposure.aperture),
            (Some(2.0), Some(0.25), Some(22.0))
        );
        assert_eq!(first.exposure.time.as_deref(), Some("2026-03-14T15:40:00+00:00"));
        assert_eq!(
            (first.development.dilution.as_deref(), first.development.temperature_c),
            (Some("1+15"), Some(20.0))
        );
        assert_eq!((rows[1].line, rows[1].size.is_none(), &rows[1].exposure), (5, true, &Exposure::default()));
    }

    /// Spreadsheets of half the world part cells by ';' and write "7,5".
    #[test]
    fn other_habits_of_spreadsheets_are_read() {
        let semicolons = rows("id;minutes;focal_length_in\r\nK-01;7,5;8,25\r\n");
        assert_eq!(semicolons[0].development.minutes, Some(7.5));
        assert_eq!(semicolons[0].exposure.focal_length_mm, Some(209.55));
        assert_eq!(rows("ID\tShutter\nK-01\t3\n")[0].exposure.shutter_s, Some(3.0));
        assert_eq!(rows("id,captures\nK-01,IMG_0001.jpg;IMG_0002.jpg IMG_0003.jpg\n")[0].captures.len(), 3);
        assert_eq!(rows("id\nK-01\n")[0].id, "K-01");
    }

    #[test]
    fn faults_name_line_and_column() {
        let all = faults("id,ei,dilution\nK-01,two,1:15\nK-02,-1,1+15\nK 3,,\nK-01\n");
        for (fault, parts) in all.iter().zip([
            ["field.csv:2: `plate.exposure.ei` is the text \"two\"", "give a number"],
            ["field.csv:2: `plate.development.dilution` is \"1:15\"", "\"1+14\""],
            ["field.csv:3: `plate.exposure.ei` is -1", "0.001"],
            ["field.csv:4: `plate.id` is \"K 3\"", "letters"],
            ["field.csv:5: the row has 1 cells", "3 columns"],
        ]) {
            assert!(parts.iter().all(|part| fault.contains(part)), "{parts:?}: {fault}");
        }
        assert_eq!(all.len(), 5, "{all:#?}");
        assert!(faults("id,apperture\nK,2\n")[0].ends_with("did you mean `aperture`?"));
        assert!(faults("ei\n2\n")[0].contains("column `id` is missing"));
        assert!(faults("id,bellows_mm,bellows_in\nK,1,2\n")[0].contains("say the same"));
        assert!(faults("id\nK-1\nk-1\n")[0].contains("field.csv:3: column `id` has \"k-1\", which line 2 has"));
        assert!(faults(b"id,notes\nK,\xE4\n")[0].contains("field.csv:2: the row is not UTF-8"));
        assert!(faults("")[0].contains("is empty"));
    }

    #[test]
    fn notes_stay_and_gaps_are_filled() {
        let mut session = load(folder_with(&FILES, WHOLE).path()).unwrap();
        let table = rows("id,ei,shutter,aperture,developer\nK-01,3,0.25,22,pyro\nK-02,3,1/4,16,pyro\n");
        let first = merge(&mut session.plates[0], &table[0]);
        let messages: String = first.iter().map(|warning| format!("{}\n", warning.message)).collect();
        assert!(
            first.len() == 2 && messages.contains("differ in ei") && messages.contains("differ in developer"),
            "{messages}"
        );
        assert_eq!(session.plates[0].exposure.ei, Some(2.0));
        let second = merge(&mut session.plates[1], &table[1]);
        assert_eq!(second, []);
        let exposure = &session.plates[1].exposure;
        assert_eq!(
            (exposure.ei, exposure.aperture, exposure.shutter.as_deref()),
            (Some(3.0), Some(16.0), Some("0.25"))
        );
        assert_eq!(session.plates[1].development.developer.as_deref(), Some("pyro"));
    }

    #[test]
    fn every_column_has_a_key_and_a_word() {
        for column in &COLUMNS {
            let kind = match column.to {
                To::Plate | To::Captures => &PLATE,
                To::Exposure => &EXPOSURE,
                To::Development => &DEVELOPMENT,
            };
            assert!(kind.keys.contains(&column.key) && !column.about.is_empty(), "{}", column.name);
        }
        let keys = EXPOSURE.keys.iter().chain(DEVELOPMENT.keys);
        assert!(keys.copied().all(|key| COLUMNS.iter().any(|column| column.key == key)));
        assert_eq!(columns_help().lines().count(), COLUMNS.len());
    }

    proptest! {
        #[test]
        fn hostile_tables_do_no_harm(cells in prop::collection::vec(any::<String>(), 4), tail in any::<Vec<u8>>()) {
            let mut csv = format!("id,notes,ei,time\n{}\n", cells.join(",")).into_bytes();
            csv.extend(tail);
            let _ = parse(Path::new("field.csv"), &csv);
        }
    }
}
