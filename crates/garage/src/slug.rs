//! Folder names that every system takes.

/// Names that one system or another keeps for devices.
const RESERVED: [&str; 6] = ["con", "prn", "aux", "nul", "com", "lpt"];

/// Long enough to know the car by, short enough for nested paths on every system.
const LONGEST: usize = 48;

/// A folder name for `name`: small letters, digits and single hyphens, never empty, never reserved.
///
/// Letters of other scripts are written in Latin ones. Different names may give the same folder name; the garage
/// then adds a number.
pub fn slug(name: &str) -> String {
    let mut slug = String::new();
    for c in deunicode::deunicode_with_tofu(name, " ").chars() {
        match c.to_ascii_lowercase() {
            c if c.is_ascii_alphanumeric() => slug.push(c),
            '\'' => {}
            _ if !slug.is_empty() && !slug.ends_with('-') => slug.push('-'),
            _ => {}
        }
    }
    slug.truncate(LONGEST);
    let slug = slug.trim_matches('-');
    let stem = slug.trim_end_matches(|c: char| c.is_ascii_digit());
    if slug.is_empty() || RESERVED.contains(&stem) {
        format!("car-{slug}").trim_matches('-').to_owned()
    } else {
        slug.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_become_folders_that_every_system_takes() {
        for (name, folder) in [
            ("Corvane Estate", "corvane-estate"),
            ("  Año / 2019: \"best\" ", "ano-2019-best"),
            ("..", "car"),
            ("", "car"),
            ("../../etc/passwd", "etc-passwd"),
            ("CON", "car-con"),
            ("com1", "car-com1"),
            ("Nul.", "car-nul"),
            ("Løvåsen Öst", "lovasen-ost"),
            ("O'Hara", "ohara"),
            ("\u{0}\u{7}", "car"),
        ] {
            assert_eq!(slug(name), folder, "{name:?}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_name_is_safe(name in ".*") {
            let folder = slug(&name);
            assert!(!folder.is_empty() && folder.len() <= LONGEST + 4);
            assert!(folder.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-'), "{folder}");
            assert!(!folder.starts_with('-') && !folder.ends_with('-'));
        }
    }
}
