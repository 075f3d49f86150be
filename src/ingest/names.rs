//! Names in files: which may identify a person, and which known name was probably meant.

/// Words in a header that make its column one that may identify a patient, a member of staff or a device.
const IDENTIFYING: &[&str] = &[
    "bett",
    "chambre",
    "lit",
    "nachname",
    "nom",
    "prénom",
    "vorname",
    "zimmer",
    "account",
    "address",
    "admission",
    "age",
    "asset",
    "attending",
    "bed",
    "birth",
    "birthdate",
    "birthday",
    "born",
    "clinician",
    "device",
    "dob",
    "doctor",
    "email",
    "encounter",
    "facility",
    "firstname",
    "forename",
    "gender",
    "guardian",
    "hospital",
    "ip",
    "lastname",
    "location",
    "login",
    "mac",
    "mother",
    "mrn",
    "name",
    "nhs",
    "nurse",
    "operator",
    "patient",
    "person",
    "phone",
    "physician",
    "pid",
    "postcode",
    "room",
    "serial",
    "sex",
    "sn",
    "ssn",
    "staff",
    "street",
    "surname",
    "telephone",
    "udi",
    "user",
    "userid",
    "username",
    "visit",
    "ward",
    "zip",
];

/// Parts of such words, in several languages.
const PARTS: &[&str] = &[
    "patient",
    "nurse",
    "birth",
    "serial",
    "clinician",
    "geburt",
    "serien",
    "schwester",
    "pfleger",
    "infirmi",
    "naissance",
    "série",
];

/// Whether a column of this name may identify a person or a device.
pub(super) fn identifies(header: &str) -> bool {
    let mut words = header
        .split(|c: char| !c.is_alphanumeric())
        .map(str::to_lowercase);
    words.any(|word| {
        IDENTIFYING.contains(&word.as_str()) || PARTS.iter().any(|part| word.contains(part))
    })
}

/// Words of [`IDENTIFYING`] that in a survey's list are properties to compare by, not identities: a survey by ward, sex
/// or age is what the list is for.
const GROUPS: &[&str] = &[
    "age", "device", "facility", "gender", "hospital", "ip", "location", "sex", "ward",
];

/// Whether a column of a survey's list may identify a single person.
pub(super) fn identifies_a_person(header: &str) -> bool {
    let mut words = header
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| !GROUPS.contains(&word.to_lowercase().as_str()));
    words.any(identifies)
}

/// A header for a message: short, without anything that a terminal might obey.
pub(super) fn shown_header(header: &str) -> String {
    let clean: String = header
        .chars()
        .filter(|c| !c.is_control())
        .take(40)
        .collect();
    format!("`{clean}`")
}

/// The name nearest to what was written, if one is near enough to be meant.
pub(super) fn nearest<'n>(written: &str, known: impl Iterator<Item = &'n str>) -> Option<&'n str> {
    // A third of the letters wrong, at most, and two at least: `presure_mmhg`, `inner_diamter_mm`, `idd`.
    let most = (written.chars().count() / 3).max(2);
    known
        .filter(|name| name.len() < 100)
        .map(|name| (strsim::damerau_levenshtein(written, name), name))
        .filter(|&(distance, _)| distance <= most)
        .min_by_key(|&(distance, _)| distance)
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case("patient_name")]
    #[case("Patient ID")]
    #[case("mrn")]
    #[case("date_of_birth")]
    #[case("nurse")]
    #[case("user")]
    #[case("bed")]
    #[case("pump serial")]
    #[case("serialno")]
    #[case("Pumpe Seriennr")]
    #[case("Geburtsdatum")]
    #[case("Prénom")]
    fn a_column_that_may_identify_somebody_is_known(#[case] header: &str) {
        assert!(identifies(header));
    }

    #[rstest]
    #[case("drug_library")]
    #[case("alarm_text")]
    #[case("temperature_c")]
    #[case("bolus_ml")]
    fn other_columns_are_not_taken_for_one(#[case] header: &str) {
        assert!(!identifies(header));
    }

    #[test]
    fn the_nearest_known_name_is_proposed_and_a_far_one_is_not() {
        let known = ["inner_diameter_mm", "length_cm", "kind"];
        assert_eq!(
            nearest("inner_diamter_mm", known.into_iter()),
            Some("inner_diameter_mm")
        );
        assert_eq!(nearest("kin", known.into_iter()), Some("kind"));
        assert_eq!(nearest("colour", known.into_iter()), None);
    }
}
