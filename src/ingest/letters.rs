//! Letters as people mean them: composed or not, with or without accents, in capitals or not.

use std::borrow::Cow;
use unicode_normalization::{IsNormalized, UnicodeNormalization, is_nfc_quick};

/// Lower case without accents: `Début` and `DEBUT` become `debut`.
pub(super) fn plain(text: &str) -> String {
    let is_accent = |c: &char| ('\u{300}'..='\u{36f}').contains(c);
    let letters = text.nfd().filter(|c| !is_accent(c));
    let mut plain = String::with_capacity(text.len());
    for c in letters.flat_map(char::to_lowercase) {
        match c {
            'ł' => plain.push('l'),
            'ø' => plain.push('o'),
            'đ' => plain.push('d'),
            'ß' => plain.push_str("ss"),
            'æ' => plain.push_str("ae"),
            c => plain.push(c),
        }
    }
    plain
}

/// The same text with its letters composed: `e` and an accent become `é`.
pub(super) fn composed(cell: &[u8]) -> Cow<'_, [u8]> {
    match std::str::from_utf8(cell) {
        Ok(text) if !text.is_ascii() && is_nfc_quick(text.chars()) != IsNormalized::Yes => {
            Cow::Owned(text.nfc().collect::<String>().into_bytes())
        }
        _ => Cow::Borrowed(cell),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn accents_and_capitals_make_no_other_word() {
        assert_eq!(plain("PRESIÓN"), "presion");
        assert_eq!(plain("Prędkość"), "predkosc");
        assert_eq!(plain("De\u{301}bit"), plain("Débit"));
        assert_eq!(plain("Auslöser Straße"), "ausloser strasse");
    }

    #[test]
    fn an_accent_apart_is_put_together_with_its_letter() {
        assert_eq!(
            composed("Pra\u{308}parat".as_bytes()),
            "Präparat".as_bytes()
        );
        assert_eq!(composed(b"\xff"), &b"\xff"[..]);
    }
}
