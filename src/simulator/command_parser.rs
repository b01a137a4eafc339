//! The bench's parser: one program message unit in, a command or an SCPI error out.
//!
//! IEEE 488.2 / SCPI-1999 grammar for the few headers the bench knows. Pure. Nothing is shared with the instrument
//! room: the two meet on the wire only.

/// SCPI errors the bench uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScpiError {
    /// −113.
    UndefinedHeader,
    /// −108.
    ParameterNotAllowed,
    /// −222.
    DataOutOfRange,
    /// −224.
    IllegalParameter,
    /// −230.
    DataStale,
    /// −241.
    HardwareMissing,
    /// −310.
    System,
    /// −350.
    QueueOverflow,
}

impl ScpiError {
    /// Code and text as SCPI-1999 volume 2 §21.8 has them.
    pub fn entry(self) -> (i32, &'static str) {
        match self {
            Self::UndefinedHeader => (-113, "Undefined header"),
            Self::ParameterNotAllowed => (-108, "Parameter not allowed"),
            Self::DataOutOfRange => (-222, "Data out of range"),
            Self::IllegalParameter => (-224, "Illegal parameter value"),
            Self::DataStale => (-230, "Data corrupt or stale"),
            Self::HardwareMissing => (-241, "Hardware missing"),
            Self::System => (-310, "System error"),
            Self::QueueOverflow => (-350, "Queue overflow"),
        }
    }
}

/// A numeric parameter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A value, suffix applied [s].
    Value(f64),
    /// `MINimum`.
    Min,
    /// `MAXimum`.
    Max,
}

/// How pixels are sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Two bytes a pixel.
    Uint16,
    /// Four bytes a pixel.
    Uint32,
    /// Decimal, comma-separated.
    Ascii,
}

/// What is asked of the instrument.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Command {
    /// `*IDN?`
    Identity,
    /// `*RST`
    Reset,
    /// `*CLS`
    ClearErrors,
    /// `*OPC?`
    Complete,
    /// `*TST?`
    SelfTest,
    /// `SYSTem:ERRor?`
    NextError,
    /// `SYSTem:VERSion?`
    Version,
    /// `SENSe:APERture`
    SetAperture(Number),
    /// `SENSe:APERture?`
    Aperture(Option<Number>),
    /// `SENSe:DETector:SIZE?`
    Size,
    /// `SENSe:DETector:FSCale?`
    FullScale,
    /// `SENSe:DETector:MASKed?`
    Masked,
    /// `INPut:SHUTter OPEN|CLOSed`: true for open
    SetShutter(bool),
    /// `INPut:SHUTter?`
    Shutter,
    /// `MEASure:TEMPerature?`
    Temperature,
    /// `FORMat:DATA`
    SetFormat(Format),
    /// `FORMat:DATA?`
    Format,
    /// `FORMat:BORDer`: true for swapped
    SetBorder(bool),
    /// `FORMat:BORDer?`
    Border,
    /// `READ?`
    Read,
    /// `FETCh?`
    Fetch,
    /// `FETCh:CRC?`
    FetchCrc,
    /// `ABORt`
    Abort,
    /// `CALibration:WAVelength?`
    Wavelength,
}

/// Headers and how their set and query forms are read; `None` where there is no such form.
type Form = fn(&[&str]) -> Result<Command, ScpiError>;
const HEADERS: &[(&str, Option<Form>, Option<Form>)] = &[
    ("*IDN", None, Some(|p| bare(p, Command::Identity))),
    ("*RST", Some(|p| bare(p, Command::Reset)), None),
    ("*CLS", Some(|p| bare(p, Command::ClearErrors)), None),
    ("*OPC", None, Some(|p| bare(p, Command::Complete))),
    ("*TST", None, Some(|p| bare(p, Command::SelfTest))),
    ("SYSTem:ERRor", None, Some(|p| bare(p, Command::NextError))),
    ("SYSTem:ERRor:NEXT", None, Some(|p| bare(p, Command::NextError))),
    ("SYSTem:VERSion", None, Some(|p| bare(p, Command::Version))),
    ("SENSe:APERture", Some(|p| one(p).and_then(seconds).map(Command::SetAperture)), Some(aperture_query)),
    ("SENSe:DETector:SIZE", None, Some(|p| bare(p, Command::Size))),
    ("SENSe:DETector:FSCale", None, Some(|p| bare(p, Command::FullScale))),
    ("SENSe:DETector:MASKed", None, Some(|p| bare(p, Command::Masked))),
    ("INPut:SHUTter", Some(shutter), Some(|p| bare(p, Command::Shutter))),
    ("MEASure:TEMPerature", None, Some(|p| bare(p, Command::Temperature))),
    ("FORMat", Some(format), Some(|p| bare(p, Command::Format))),
    ("FORMat:DATA", Some(format), Some(|p| bare(p, Command::Format))),
    ("FORMat:BORDer", Some(border), Some(|p| bare(p, Command::Border))),
    ("READ", None, Some(|p| bare(p, Command::Read))),
    ("FETCh", None, Some(|p| bare(p, Command::Fetch))),
    ("FETCh:CRC", None, Some(|p| bare(p, Command::FetchCrc))),
    ("ABORt", Some(|p| bare(p, Command::Abort)), None),
    ("CALibration:WAVelength", None, Some(|p| bare(p, Command::Wavelength))),
];

fn bare(parameters: &[&str], command: Command) -> Result<Command, ScpiError> {
    if parameters.is_empty() { Ok(command) } else { Err(ScpiError::ParameterNotAllowed) }
}

fn one<'a>(parameters: &[&'a str]) -> Result<&'a str, ScpiError> {
    match parameters {
        [] => Err(ScpiError::IllegalParameter),
        [one] => Ok(one),
        _ => Err(ScpiError::ParameterNotAllowed),
    }
}

fn aperture_query(parameters: &[&str]) -> Result<Command, ScpiError> {
    if parameters.is_empty() {
        return Ok(Command::Aperture(None));
    }
    match seconds(one(parameters)?)? {
        Number::Value(_) => Err(ScpiError::IllegalParameter),
        end => Ok(Command::Aperture(Some(end))),
    }
}

fn shutter(parameters: &[&str]) -> Result<Command, ScpiError> {
    match one(parameters)? {
        word if is(word, "OPEN") => Ok(Command::SetShutter(true)),
        word if is(word, "CLOSed") => Ok(Command::SetShutter(false)),
        _ => Err(ScpiError::IllegalParameter),
    }
}

fn format(parameters: &[&str]) -> Result<Command, ScpiError> {
    match parameters {
        [word] if is(word, "ASCii") => Ok(Command::SetFormat(Format::Ascii)),
        [word, "16"] if is(word, "UINTeger") => Ok(Command::SetFormat(Format::Uint16)),
        [word, "32"] if is(word, "UINTeger") => Ok(Command::SetFormat(Format::Uint32)),
        [word, _, ..] if is(word, "ASCii") => Err(ScpiError::ParameterNotAllowed),
        [_, _, _, ..] => Err(ScpiError::ParameterNotAllowed),
        _ => Err(ScpiError::IllegalParameter),
    }
}

fn border(parameters: &[&str]) -> Result<Command, ScpiError> {
    match one(parameters)? {
        word if is(word, "NORMal") => Ok(Command::SetBorder(false)),
        word if is(word, "SWAPped") => Ok(Command::SetBorder(true)),
        _ => Err(ScpiError::IllegalParameter),
    }
}

/// Whether `word` is the short or the long form of `pattern`, whose capitals are the short form.
fn is(word: &str, pattern: &str) -> bool {
    let short: String = pattern.chars().filter(|c| !c.is_ascii_lowercase()).collect();
    word.eq_ignore_ascii_case(pattern) || word.eq_ignore_ascii_case(&short)
}

/// NR1, NR2 or NR3 with an optional suffix of time, or `MINimum` or `MAXimum`.
fn seconds(text: &str) -> Result<Number, ScpiError> {
    if is(text, "MINimum") {
        return Ok(Number::Min);
    }
    if is(text, "MAXimum") {
        return Ok(Number::Max);
    }
    let letters = text.trim_end_matches(|c: char| c.is_ascii_alphabetic()).len();
    let (number, suffix) = text.split_at(letters);
    let number = number.trim_end();
    if !number.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b)) {
        return Err(ScpiError::IllegalParameter);
    }
    let value: f64 = number.parse().map_err(|_| ScpiError::IllegalParameter)?;
    let unit = match suffix.to_ascii_uppercase().as_str() {
        "" | "S" => 1.0,
        "MS" => 1e-3,
        "US" => 1e-6,
        _ => return Err(ScpiError::IllegalParameter),
    };
    Ok(Number::Value(value * unit))
}

/// Reads the units of one message, keeping the subsystem path between them.
#[derive(Clone, Debug, Default)]
pub struct CommandParser {
    path: Vec<String>,
}

impl CommandParser {
    /// Reads one unit. A header that begins with `:` is absolute; any other is tried below the path of the unit before
    /// and then from the root.
    pub fn hear(&mut self, unit: &str) -> Result<Command, ScpiError> {
        let unit = unit.trim();
        let (header, rest) = unit.split_once(|c: char| c.is_ascii_whitespace()).unwrap_or((unit, ""));
        let (header, query) = match header.strip_suffix('?') {
            Some(header) => (header, true),
            None => (header, false),
        };
        let rest = rest.trim();
        let parameters: Vec<&str> = if rest.is_empty() { Vec::new() } else { rest.split(',').map(str::trim).collect() };
        let absolute = header.strip_prefix(':');
        let nodes: Vec<&str> = absolute.unwrap_or(header).split(':').collect();
        let below: Vec<&str> = self.path.iter().map(String::as_str).chain(nodes.iter().copied()).collect();
        let found = match absolute {
            None if !header.starts_with('*') => find(&below).or_else(|| find(&nodes)),
            Some(rest) if rest.starts_with('*') => None,
            _ => find(&nodes),
        };
        let (pattern, set, ask) = found.ok_or(ScpiError::UndefinedHeader)?;
        if !pattern.starts_with('*') {
            let depth = pattern.split(':').count() - 1;
            self.path = pattern.split(':').take(depth).map(str::to_owned).collect();
        }
        let form = if query { ask } else { set };
        form.ok_or(ScpiError::UndefinedHeader)?(&parameters)
    }
}

fn find(nodes: &[&str]) -> Option<(&'static str, Option<Form>, Option<Form>)> {
    HEADERS.iter().copied().find(|(pattern, ..)| {
        let mut patterns = pattern.split(':');
        nodes.iter().all(|node| patterns.next().is_some_and(|p| is(node, p))) && patterns.next().is_none()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hear(unit: &str) -> Result<Command, ScpiError> {
        CommandParser::default().hear(unit)
    }

    /// Identity: long and short forms, any case, a leading colon, suffixes: the same command.
    #[test]
    fn spellings_of_one_command_are_one_command() {
        for unit in [
            "SENSe:APERture 0.1",
            "sens:aper 1E-1",
            ":SENS:APER 100 ms",
            "Sense:Aper 0.1 S",
            "SENS:APERTURE 1.0e-1s",
            "SENS:APER\t+100000us",
        ] {
            let Ok(Command::SetAperture(Number::Value(value))) = hear(unit) else { panic!("{unit}") };
            assert!((value - 0.1).abs() < 1e-12, "{unit}: {value}");
        }
        assert_eq!(hear("syst:err?"), Ok(Command::NextError));
        assert_eq!(hear("SYSTem:ERRor:NEXT?"), Ok(Command::NextError));
        assert_eq!(hear("FORM UINT,16"), hear("format:data uinteger, 16"));
    }

    /// Identity: what is not a form of a header is none.
    #[test]
    fn middle_lengths_and_missing_forms_are_undefined_headers() {
        for unit in ["SENSE:APERT 1", "SEN:APER 1", "READ", "*RST?", "*IDN", "FETC:CRC", "APER 1", ":*IDN?", "", "SENS"]
        {
            assert_eq!(hear(unit), Err(ScpiError::UndefinedHeader), "{unit}");
        }
    }

    /// Identity: parameters that cannot be are refused by kind.
    #[test]
    fn parameters_that_cannot_be_are_refused() {
        for unit in ["READ? 3", "*RST 1", "SENS:APER 1,2", "FORM ASC,3", "FORM UINT,16,2"] {
            assert_eq!(hear(unit), Err(ScpiError::ParameterNotAllowed), "{unit}");
        }
        for unit in [
            "SENS:APER",
            "SENS:APER nan",
            "SENS:APER inf",
            "SENS:APER 1 km",
            "INP:SHUT AJAR",
            "FORM UINT,8",
            "FORM UINT",
            "SENS:APER? 3",
        ] {
            assert_eq!(hear(unit), Err(ScpiError::IllegalParameter), "{unit}");
        }
    }

    /// Identity: SCPI's rule of the subsystem path; full headers work too.
    #[test]
    fn a_unit_may_go_on_below_the_path_of_the_one_before() {
        let mut parser = CommandParser::default();
        assert!(parser.hear("SENS:APER 0.1").is_ok());
        assert_eq!(parser.hear("*CLS"), Ok(Command::ClearErrors));
        assert_eq!(parser.hear("APER?"), Ok(Command::Aperture(None)));
        assert_eq!(parser.hear("DET:SIZE?"), Ok(Command::Size));
        assert_eq!(parser.hear("FSC?"), Ok(Command::FullScale));
        assert_eq!(parser.hear("SENS:APER? MAX"), Ok(Command::Aperture(Some(Number::Max))));
        assert_eq!(parser.hear(":INP:SHUT?"), Ok(Command::Shutter));
        assert_eq!(parser.hear("APER?"), Err(ScpiError::UndefinedHeader));
    }
}
