//! Parses one unit of a program message into a command or an SCPI error.
//!
//! IEEE 488.2 / SCPI-1999 grammar for the headers of the simulator's dialect. Pure; shares no code with the instrument module.

/// SCPI errors of the simulator.
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
    /// Code and text (SCPI-1999 volume 2, §21.8).
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
    /// A value, with its suffix applied [s].
    Value(f64),
    /// `MINimum`.
    Min,
    /// `MAXimum`.
    Max,
}

/// Format of the pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Two bytes per pixel.
    Uint16,
    /// Four bytes per pixel.
    Uint32,
    /// Decimal, comma-separated.
    Ascii,
}

/// A command or query.
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
    Shielded,
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

/// Parses the parameters of a command or query.
type Form = fn(&[&str]) -> Result<Command, ScpiError>;
/// Headers with their command and query forms; `None` where a header has no such form.
const HEADERS: &[(&str, Option<Form>, Option<Form>)] = &[
    ("*IDN", None, Some(|p| without_parameters(p, Command::Identity))),
    ("*RST", Some(|p| without_parameters(p, Command::Reset)), None),
    ("*CLS", Some(|p| without_parameters(p, Command::ClearErrors)), None),
    ("*OPC", None, Some(|p| without_parameters(p, Command::Complete))),
    ("*TST", None, Some(|p| without_parameters(p, Command::SelfTest))),
    ("SYSTem:ERRor", None, Some(|p| without_parameters(p, Command::NextError))),
    ("SYSTem:ERRor:NEXT", None, Some(|p| without_parameters(p, Command::NextError))),
    ("SYSTem:VERSion", None, Some(|p| without_parameters(p, Command::Version))),
    ("SENSe:APERture", Some(|p| single(p).and_then(seconds).map(Command::SetAperture)), Some(aperture_query)),
    ("SENSe:DETector:SIZE", None, Some(|p| without_parameters(p, Command::Size))),
    ("SENSe:DETector:FSCale", None, Some(|p| without_parameters(p, Command::FullScale))),
    ("SENSe:DETector:MASKed", None, Some(|p| without_parameters(p, Command::Shielded))),
    ("INPut:SHUTter", Some(shutter), Some(|p| without_parameters(p, Command::Shutter))),
    ("MEASure:TEMPerature", None, Some(|p| without_parameters(p, Command::Temperature))),
    ("FORMat", Some(format), Some(|p| without_parameters(p, Command::Format))),
    ("FORMat:DATA", Some(format), Some(|p| without_parameters(p, Command::Format))),
    ("FORMat:BORDer", Some(border), Some(|p| without_parameters(p, Command::Border))),
    ("READ", None, Some(|p| without_parameters(p, Command::Read))),
    ("FETCh", None, Some(|p| without_parameters(p, Command::Fetch))),
    ("FETCh:CRC", None, Some(|p| without_parameters(p, Command::FetchCrc))),
    ("ABORt", Some(|p| without_parameters(p, Command::Abort)), None),
    ("CALibration:WAVelength", None, Some(|p| without_parameters(p, Command::Wavelength))),
];

fn without_parameters(parameters: &[&str], command: Command) -> Result<Command, ScpiError> {
    if parameters.is_empty() { Ok(command) } else { Err(ScpiError::ParameterNotAllowed) }
}

fn single<'a>(parameters: &[&'a str]) -> Result<&'a str, ScpiError> {
    match parameters {
        [] => Err(ScpiError::IllegalParameter),
        [parameter] => Ok(parameter),
        _ => Err(ScpiError::ParameterNotAllowed),
    }
}

fn aperture_query(parameters: &[&str]) -> Result<Command, ScpiError> {
    if parameters.is_empty() {
        return Ok(Command::Aperture(None));
    }
    match seconds(single(parameters)?)? {
        Number::Value(_) => Err(ScpiError::IllegalParameter),
        end => Ok(Command::Aperture(Some(end))),
    }
}

fn shutter(parameters: &[&str]) -> Result<Command, ScpiError> {
    match single(parameters)? {
        word if matches(word, "OPEN") => Ok(Command::SetShutter(true)),
        word if matches(word, "CLOSed") => Ok(Command::SetShutter(false)),
        _ => Err(ScpiError::IllegalParameter),
    }
}

fn format(parameters: &[&str]) -> Result<Command, ScpiError> {
    match parameters {
        [word] if matches(word, "ASCii") => Ok(Command::SetFormat(Format::Ascii)),
        [word, "16"] if matches(word, "UINTeger") => Ok(Command::SetFormat(Format::Uint16)),
        [word, "32"] if matches(word, "UINTeger") => Ok(Command::SetFormat(Format::Uint32)),
        [word, _, ..] if matches(word, "ASCii") => Err(ScpiError::ParameterNotAllowed),
        [_, _, _, ..] => Err(ScpiError::ParameterNotAllowed),
        _ => Err(ScpiError::IllegalParameter),
    }
}

fn border(parameters: &[&str]) -> Result<Command, ScpiError> {
    match single(parameters)? {
        word if matches(word, "NORMal") => Ok(Command::SetBorder(false)),
        word if matches(word, "SWAPped") => Ok(Command::SetBorder(true)),
        _ => Err(ScpiError::IllegalParameter),
    }
}

/// Whether `word` is the short or the long form of `pattern`, whose capitals are the short form.
fn matches(word: &str, pattern: &str) -> bool {
    let short: String = pattern.chars().filter(|c| !c.is_ascii_lowercase()).collect();
    word.eq_ignore_ascii_case(pattern) || word.eq_ignore_ascii_case(&short)
}

/// Parses NR1, NR2 or NR3 with an optional unit of time, or `MINimum` or `MAXimum`.
fn seconds(text: &str) -> Result<Number, ScpiError> {
    if matches(text, "MINimum") {
        return Ok(Number::Min);
    }
    if matches(text, "MAXimum") {
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

/// Parses the units of one message; holds the subsystem path between units.
#[derive(Clone, Debug, Default)]
pub struct CommandParser {
    path: Vec<String>,
}

impl CommandParser {
    /// Parses one unit. A header that begins with `:` is absolute; any other header is looked up below the path of the previous unit
    /// and then from the root.
    pub fn parse(&mut self, unit: &str) -> Result<Command, ScpiError> {
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
        let (pattern, command, query_form) = found.ok_or(ScpiError::UndefinedHeader)?;
        if !pattern.starts_with('*') {
            let depth = pattern.split(':').count() - 1;
            self.path = pattern.split(':').take(depth).map(str::to_owned).collect();
        }
        let form = if query { query_form } else { command };
        form.ok_or(ScpiError::UndefinedHeader)?(&parameters)
    }
}

fn find(nodes: &[&str]) -> Option<(&'static str, Option<Form>, Option<Form>)> {
    HEADERS.iter().copied().find(|(pattern, ..)| {
        let mut patterns = pattern.split(':');
        nodes.iter().all(|node| patterns.next().is_some_and(|p| matches(node, p))) && patterns.next().is_none()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(unit: &str) -> Result<Command, ScpiError> {
        CommandParser::default().parse(unit)
    }

    #[test]
    fn long_and_short_forms_in_any_case_are_the_same_command() {
        for unit in [
            "SENSe:APERture 0.1",
            "sens:aper 1E-1",
            ":SENS:APER 100 ms",
            "Sense:Aper 0.1 S",
            "SENS:APERTURE 1.0e-1s",
            "SENS:APER\t+100000us",
        ] {
            let Ok(Command::SetAperture(Number::Value(value))) = parse(unit) else { panic!("{unit}") };
            assert!((value - 0.1).abs() < 1e-12, "{unit}: {value}");
        }
        assert_eq!(parse("syst:err?"), Ok(Command::NextError));
        assert_eq!(parse("SYSTem:ERRor:NEXT?"), Ok(Command::NextError));
        assert_eq!(parse("FORM UINT,16"), parse("format:data uinteger, 16"));
    }

    #[test]
    fn other_lengths_and_missing_forms_are_undefined_headers() {
        for unit in ["SENSE:APERT 1", "SEN:APER 1", "READ", "*RST?", "*IDN", "FETC:CRC", "APER 1", ":*IDN?", "", "SENS"]
        {
            assert_eq!(parse(unit), Err(ScpiError::UndefinedHeader), "{unit}");
        }
    }

    #[test]
    fn invalid_parameters_are_refused_with_their_error() {
        for unit in ["READ? 3", "*RST 1", "SENS:APER 1,2", "FORM ASC,3", "FORM UINT,16,2"] {
            assert_eq!(parse(unit), Err(ScpiError::ParameterNotAllowed), "{unit}");
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
            assert_eq!(parse(unit), Err(ScpiError::IllegalParameter), "{unit}");
        }
    }

    #[test]
    fn a_header_is_relative_to_the_path_of_the_previous_unit() {
        let mut parser = CommandParser::default();
        assert!(parser.parse("SENS:APER 0.1").is_ok());
        assert_eq!(parser.parse("*CLS"), Ok(Command::ClearErrors));
        assert_eq!(parser.parse("APER?"), Ok(Command::Aperture(None)));
        assert_eq!(parser.parse("DET:SIZE?"), Ok(Command::Size));
        assert_eq!(parser.parse("FSC?"), Ok(Command::FullScale));
        assert_eq!(parser.parse("SENS:APER? MAX"), Ok(Command::Aperture(Some(Number::Max))));
        assert_eq!(parser.parse(":INP:SHUT?"), Ok(Command::Shutter));
        assert_eq!(parser.parse("APER?"), Err(ScpiError::UndefinedHeader));
    }
}
