//! Names of months and weekdays, and of zones that are one offset, as exports write them.

use super::letters::plain;

/// Months by full and short name, without accents: English, German, French, Spanish, Italian, Polish, Dutch, Portuguese.
/// Full names as in the Unicode CLDR, format and stand-alone; short ones by common practice.
const MONTHS: [&str; 12] = [
    "january jan januar janner janvier janv enero ene gennaio gen stycznia styczen sty januari janeiro",
    "february feb februar fevrier fevr fev febrero febbraio lutego luty lut februari fevereiro",
    "march mar marz maerz mrz mars marzo marca marzec maart mrt marco",
    "april apr avril avr abril abr aprile kwietnia kwiecien kwi",
    "may mai mayo maggio mag maja maj mei maio",
    "june jun juni juin junio giugno giu czerwca czerwiec cze junho",
    "july jul juli juillet juil julio luglio lug lipca lipiec lip julho",
    "august aug aout agosto ago sierpnia sierpien sie augustus",
    "september sep sept septembre septiembre settembre set wrzesnia wrzesien wrz setembro",
    "october oct oktober okt octobre octubre ottobre ott pazdziernika pazdziernik paz outubro out",
    "november nov novembre noviembre listopada listopad lis novembro",
    "december dec dezember dez decembre diciembre dic dicembre grudnia grudzien gru dezembro",
];

const WEEKDAYS: &str = "mon monday tue tues tuesday wed wednesday thu thur thurs thursday fri friday sat saturday sun sunday \
    mo montag di dienstag mi mittwoch do donnerstag fr freitag sa samstag sonnabend so sonntag \
    lun lundi mar mardi mer mercredi jeu jeudi ven vendredi sam samedi dim dimanche \
    lunes martes mie miercoles jue jueves vie viernes sab sabado dom domingo \
    lunedi martedi mercoledi gio giovedi venerdi sabato domenica \
    pn pon poniedzialek wt wtorek sr sroda czw czwartek pt piatek sob sobota nd niedz niedziela \
    ma maandag dinsdag wo woensdag donderdag vr vrijdag za zaterdag zo zondag";

/// The number of a month, by its name.
pub(super) fn month(name: &str) -> Option<i64> {
    let name = plain(name);
    let at = MONTHS
        .iter()
        .position(|names| names.split_ascii_whitespace().any(|n| n == name))?;
    Some(at as i64 + 1)
}

/// Whether a word is the name of a weekday.
pub(super) fn is_weekday(name: &str) -> bool {
    let name = plain(name);
    WEEKDAYS.split_ascii_whitespace().any(|n| n == name)
}

/// Seconds east of Greenwich of a zone's short name that means one offset only (IANA time zone database: WET, CET and EET
/// with their summer times; MEZ and MESZ are the German names of CET and CEST).
pub(super) fn offset_of(zone: &[u8]) -> Option<i32> {
    let hours = match zone {
        b"Z" | b"z" | b"UTC" | b"GMT" | b"WET" => 0,
        b"CET" | b"MEZ" | b"WEST" => 1,
        b"CEST" | b"MESZ" | b"EET" => 2,
        b"EEST" => 3,
        _ => return None,
    };
    Some(hours * 3600)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_is_that_of_two_months() {
        let mut seen = std::collections::HashSet::new();
        for names in MONTHS {
            for name in names.split_ascii_whitespace() {
                assert!(seen.insert(name), "{name}");
            }
        }
    }

    #[test]
    fn months_are_known_in_several_languages() {
        for name in ["March", "März", "mars", "marzo", "marca", "MAR", "maart"] {
            assert_eq!(month(name), Some(3), "{name}");
        }
        assert_eq!(month("mare"), None);
        assert!(is_weekday("Śr") && is_weekday("Di") && !is_weekday("März"));
    }
}
