//! The name by which a content security policy knows a style or script: its SHA-256 in base 64.

use sha2::{Digest, Sha256};

const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// `sha256-…`, as the policy writes it (W3C Content Security Policy Level 3, hash-source).
pub fn digest_name(text: &str) -> String {
    format!("sha256-{}", encode(&Sha256::digest(text.as_bytes())))
}

/// RFC 4648, section 4.
fn encode(bytes: &[u8]) -> String {
    let mut text = String::new();
    for chunk in bytes.chunks(3) {
        let byte = |i: usize| u32::from(chunk.get(i).copied().unwrap_or(0));
        let group = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4 {
            let letter = LETTERS
                .get((group >> (18 - 6 * place)) as usize & 63)
                .filter(|_| place <= chunk.len());
            text.push(letter.map_or('=', |&l| char::from(l)));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_vectors_of_rfc_4648_section_10_come_out() {
        let pairs = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in pairs {
            assert_eq!(encode(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn the_policy_s_own_example_comes_out() {
        // W3C CSP Level 3, section 8.3: `alert('Hello, world.');`
        let name = digest_name("alert('Hello, world.');");
        assert_eq!(name, "sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng=");
    }
}
