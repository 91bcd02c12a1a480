//! The Debian package: what `scripts/deb` builds, told by Debian's own `dpkg-deb`.
//! Sources: deb(5), deb-control(5), Debian Policy 12 (pages, copyright), Filesystem Hierarchy
//! Standard 3.0; reproducible-builds.org's SOURCE_DATE_EPOCH specification.

mod outside;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

const EPOCH: &str = "1500000000";

fn printed(program: &str, words: &[&str]) -> String {
    let done = Command::new(program).args(words).env("TZ", "UTC").output().expect("it runs");
    assert!(done.status.success(), "{program} {words:?}: {done:?}");
    String::from_utf8(done.stdout).expect("UTF-8")
}

/// Packs the program under test into `folder`.
fn packed(folder: &Path) -> PathBuf {
    let done = Command::new(outside::project().join("scripts/deb"))
        .args(["--binary", env!("CARGO_BIN_EXE_platesmith"), "-o"])
        .arg(folder)
        .env("SOURCE_DATE_EPOCH", EPOCH)
        .output()
        .expect("bash runs");
    assert!(done.status.success(), "{done:?}");
    let made: Vec<_> =
        folder.read_dir().expect("a folder").map(|entry| entry.expect("one")).collect();
    assert_eq!(made.len(), 1, "nothing is left beside the package: {made:?}");
    made[0].path()
}

/// Returns the fields of the control file by name.
fn fields(package: &str) -> BTreeMap<String, String> {
    let told = printed("dpkg-deb", &["--field", package]);
    let pairs = told.lines().filter_map(|line| line.split_once(": "));
    pairs.map(|(name, value)| (name.to_string(), value.to_string())).collect()
}

fn control_is_true(package: &str) {
    let fields = fields(package);
    assert_eq!(fields["Package"], "platesmith");
    assert_eq!(fields["Version"], env!("CARGO_PKG_VERSION"));
    // Debian Policy 5.6.2: a name and an address, as in the manifest; `.invalid` is nobody's
    // (RFC 6761, 6.4).
    assert_eq!(fields["Maintainer"], env!("CARGO_PKG_AUTHORS"));
    assert!(fields["Maintainer"].ends_with(".invalid>"), "{}", fields["Maintainer"]);
    assert_eq!(fields["Architecture"], printed("dpkg", &["--print-architecture"]).trim());
    // Held against the loader: each library of FFmpeg that is loaded has its package named.
    let loaded = printed("ldd", &[env!("CARGO_BIN_EXE_platesmith")]);
    for library in ["libavcodec", "libavformat", "libavutil", "libswscale", "libc"] {
        let soname =
            loaded.split_whitespace().find(|word| word.starts_with(&format!("{library}.so.")));
        let number = soname.expect("loaded").rsplit('.').next().expect("a number");
        let named = fields["Depends"]
            .split(", ")
            .any(|one| one.starts_with(&format!("{library}{number} ")));
        assert!(named, "{library} {number}: {}", fields["Depends"]);
    }
}

/// Lines of a listing: kind and permissions, owner, size, date, time, path.
fn contents_are_right(package: &str) {
    let listing = printed("dpkg-deb", &["--contents", package]);
    let mut paths = Vec::new();
    for line in listing.lines() {
        let words: Vec<_> = line.split_whitespace().collect();
        assert_eq!((words[1], words[3], words[4]), ("root/root", "2017-07-14", "02:40"), "{line}");
        let program = words[5] == "./usr/bin/platesmith";
        let mode = if words[5].ends_with('/') {
            "drwxr-xr-x"
        } else if program {
            "-rwxr-xr-x"
        } else {
            "-rw-r--r--"
        };
        assert_eq!(words[0], mode, "{line}");
        paths.push(words[5]);
    }
    assert!(paths.is_sorted_by_key(|path| path.trim_end_matches('/')), "{paths:?}");
    for wanted in [
        "bin/platesmith",
        "share/man/man1/platesmith.1.gz",
        "share/man/man1/platesmith-turnover.1.gz",
        "share/bash-completion/completions/platesmith",
        "share/zsh/vendor-completions/_platesmith",
        "share/fish/vendor_completions.d/platesmith.fish",
        "share/doc/platesmith/copyright",
        "share/doc/platesmith/licences.txt.gz",
        "share/doc/platesmith/README.md",
        "share/doc/platesmith/docs/notices.md",
        "share/doc/platesmith/docs/limits.md",
    ] {
        assert!(paths.contains(&format!("./usr/{wanted}").as_str()), "{wanted}: {listing}");
    }
}

/// Every command that `--help` names has a page, and what is packed is whole.
fn unpacked_is_whole(package: &str, folder: &Path) {
    printed("dpkg-deb", &["--raw-extract", package, &folder.display().to_string()]);
    let program = folder.join("usr/bin/platesmith").display().to_string();
    let version = printed(&program, &["--version"]);
    let expected = format!("platesmith {}\nFFmpeg ", env!("CARGO_PKG_VERSION"));
    assert!(version.starts_with(&expected), "{version}");
    let help = printed(&program, &["--help"]);
    let commands = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let commands: Vec<_> = commands.map_while(|line| line.split_whitespace().next()).collect();
    assert!(commands.len() > 5, "{help}");
    for command in commands.iter().filter(|command| **command != "help") {
        let page = folder.join(format!("usr/share/man/man1/platesmith-{command}.1.gz"));
        let page = printed("gzip", &["-dc", &page.display().to_string()]);
        assert!(page.contains(&format!(".TH platesmith-{command} 1")), "{page}");
        assert!(!page.contains("FFmpeg 5") && !page.contains("libavcodec"), "{page}");
    }
    let sums = Command::new("md5sum")
        .args(["--check", "--strict", "--quiet", "DEBIAN/md5sums"])
        .current_dir(folder)
        .status();
    assert!(sums.expect("md5sum runs").success());
}

#[test]
fn a_package_holds_what_it_says_and_is_the_same_bytes_each_time() {
    if !["dpkg-deb", "python3", "ldd"].iter().all(|program| outside::has_program_version(program)) {
        return;
    }
    let folders = [(); 3].map(|()| tempfile::tempdir().expect("a folder"));
    let [first, second] = std::thread::scope(|scope| {
        [&folders[0], &folders[1]]
            .map(|folder| scope.spawn(|| packed(folder.path())))
            .map(|one| one.join().expect("packed"))
    });
    assert_eq!(first.file_name(), second.file_name());
    let same = std::fs::read(&first).expect("read") == std::fs::read(&second).expect("read");
    assert!(same, "two packages of one binary differ");
    let package = first.display().to_string();
    control_is_true(&package);
    contents_are_right(&package);
    unpacked_is_whole(&package, folders[2].path());
}

#[test]
fn the_version_names_the_libraries_that_are_loaded() {
    // The ffmpeg program prints the same libraries' versions: "libavcodec     59. 37.100 / ...".
    if !outside::has_program("ffmpeg") {
        return;
    }
    let ours = printed(env!("CARGO_BIN_EXE_platesmith"), &["--version"]);
    let theirs = printed("ffmpeg", &["-version"]);
    let release = theirs.split_whitespace().nth(2).expect("ffmpeg version RELEASE");
    assert!(ours.contains(&format!("FFmpeg {release} (")), "{ours}");
    for name in ["libavcodec", "libavformat", "libavutil", "libswscale"] {
        let line = theirs.lines().find(|line| line.starts_with(name)).expect("told");
        let loaded = line.rsplit('/').next().expect("built with / loaded").replace(' ', "");
        assert!(ours.contains(&format!("{name} {loaded}")), "{name} {loaded}: {ours}");
    }
    let short = printed(env!("CARGO_BIN_EXE_platesmith"), &["-V"]);
    assert_eq!(short, format!("platesmith {}\n", env!("CARGO_PKG_VERSION")));
}
