//! Serial ports and what the system knows of them: stable name, USB identity, who may open them.
//!
//! Reads `/dev`, sysfs and the account files only; opens no port.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// A serial port.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Port {
    /// Its device file.
    pub path: PathBuf,
    /// Stable names in `/dev/serial/by-id`, which survive a change of the socket.
    pub by_id: Vec<PathBuf>,
    /// USB vendor and product with their texts; `None` for a built-in port.
    pub usb: Option<Usb>,
    /// Owner, group and mode, e.g. `root:dialout rw-rw----`.
    pub access: String,
    /// Whether this user may open it; `None` if that cannot be read.
    pub may_open: Option<bool>,
}

/// Identity of a USB device.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Usb {
    /// Vendor and product, hexadecimal, e.g. `0403:6001`.
    pub id: String,
    /// Manufacturer and product as the device states them.
    pub text: String,
    /// Serial number as the device states it.
    pub serial: Option<String>,
}

/// Where the system keeps its knowledge.
#[derive(Clone, Debug)]
pub struct Roots {
    /// `/dev`.
    pub dev: PathBuf,
    /// `/sys`.
    pub sys: PathBuf,
    /// `/etc`.
    pub etc: PathBuf,
    /// `/proc`.
    pub proc: PathBuf,
}

impl Default for Roots {
    fn default() -> Self {
        Self { dev: "/dev".into(), sys: "/sys".into(), etc: "/etc".into(), proc: "/proc".into() }
    }
}

/// All serial ports with hardware behind them, in order of their names.
pub fn ports(roots: &Roots) -> Vec<Port> {
    let mut by_id: BTreeMap<PathBuf, Vec<PathBuf>> = BTreeMap::new();
    for link in entries(&roots.dev.join("serial/by-id")) {
        if let Ok(target) = link.canonicalize() {
            by_id.entry(target).or_default().push(link);
        }
    }
    let mut ports = Vec::new();
    for class in entries(&roots.sys.join("class/tty")) {
        let Some(name) = class.file_name() else { continue };
        let device = class.join("device");
        // Consoles have no device; a built-in port without hardware has type 0.
        if !device.exists() || read(&class.join("type")).is_some_and(|kind| kind == "0") {
            continue;
        }
        let path = roots.dev.join(name);
        let real = path.canonicalize().unwrap_or_else(|_| path.clone());
        let (access, may_open) = access(&path, roots);
        ports.push(Port { by_id: by_id.remove(&real).unwrap_or_default(), usb: usb(&device), access, may_open, path });
    }
    ports
}

/// Paths in a folder, sorted; none if it does not exist.
fn entries(folder: &Path) -> Vec<PathBuf> {
    let Ok(found) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = found.filter_map(|e| e.ok().map(|e| e.path())).collect();
    paths.sort();
    paths
}

fn read(path: &Path) -> Option<String> {
    std::fs::read_to_string(path).ok().map(|text| text.trim().to_owned())
}

/// The USB device above a port's device, if it has one.
fn usb(device: &Path) -> Option<Usb> {
    let real = device.canonicalize().ok()?;
    let of = real.ancestors().take(8).find(|folder| folder.join("idVendor").exists())?;
    let texts = [read(&of.join("manufacturer")), read(&of.join("product"))];
    Some(Usb {
        id: format!("{}:{}", read(&of.join("idVendor"))?, read(&of.join("idProduct"))?),
        text: texts.into_iter().flatten().collect::<Vec<_>>().join(" "),
        serial: read(&of.join("serial")),
    })
}

/// Owner, group and mode of a device file, and whether this process may read and write it.
fn access(path: &Path, roots: &Roots) -> (String, Option<bool>) {
    let Ok(meta) = std::fs::metadata(path) else { return ("no device file".into(), None) };
    let mode = meta.mode();
    let letters = "rwxrwxrwx".chars().enumerate();
    let text: String = letters.map(|(i, c)| if mode & (0o400 >> i) != 0 { c } else { '-' }).collect();
    let owner = account(&roots.etc.join("passwd"), meta.uid());
    let group = account(&roots.etc.join("group"), meta.gid());
    let may_open = read(&roots.proc.join("self/status")).and_then(|status| {
        let numbers = |key: &str| -> Option<Vec<u32>> {
            let line = status.lines().find_map(|l| l.strip_prefix(key))?;
            line.split_whitespace().map(|n| n.parse().ok()).collect()
        };
        let user = *numbers("Uid:")?.get(1)?;
        let mut groups = numbers("Groups:")?;
        groups.push(*numbers("Gid:")?.get(1)?);
        let shift = match () {
            () if user == 0 => return Some(true),
            () if user == meta.uid() => 6,
            () if groups.contains(&meta.gid()) => 3,
            () => 0,
        };
        Some(mode >> shift & 0o6 == 0o6)
    });
    (format!("{owner}:{group} {text}"), may_open)
}

/// Name of an account number in a file like `/etc/passwd`; the number itself if it has none.
fn account(file: &Path, number: u32) -> String {
    let text = read(file).unwrap_or_default();
    let name = text.lines().find_map(|line| {
        let mut fields = line.split(':');
        let (name, found) = (fields.next()?, fields.nth(1)?);
        (found == number.to_string()).then(|| name.to_owned())
    });
    name.unwrap_or_else(|| number.to_string())
}

impl Port {
    /// One port on a few lines.
    pub fn text(&self) -> String {
        let mut out = format!("{}\n", self.path.display());
        for link in &self.by_id {
            out.push_str(&format!("  stable name  {}\n", link.display()));
        }
        if let Some(usb) = &self.usb {
            let serial =
                usb.serial.as_ref().map_or_else(|| "no serial number".into(), |s| format!("serial number {s}"));
            out.push_str(&format!("  USB          {} {} ({serial})\n", usb.id, usb.text));
        }
        let may = match self.may_open {
            Some(true) => "you may open it",
            Some(false) => "you may NOT open it: join its group (`usermod -aG GROUP USER`, then log in again)",
            None => "whether you may open it is unknown",
        };
        out.push_str(&format!("  access       {}; {may}\n", self.access));
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    /// A system with a USB port, a built-in port without hardware, and a console.
    fn system() -> (tempfile::TempDir, Roots) {
        let dir = tempfile::tempdir().unwrap();
        let at = |path: &str| dir.path().join(path);
        let usb = at("sys/devices/usb1/1-2");
        fs::create_dir_all(usb.join("1-2:1.0/ttyUSB0")).unwrap();
        for (name, text) in [
            ("idVendor", "0403\n"),
            ("idProduct", "6001\n"),
            ("manufacturer", "Maker\n"),
            ("product", "Cable\n"),
            ("serial", "A1\n"),
        ] {
            fs::write(usb.join(name), text).unwrap();
        }
        for tty in ["ttyUSB0", "ttyS0", "tty1"] {
            fs::create_dir_all(at("sys/class/tty").join(tty)).unwrap();
        }
        std::os::unix::fs::symlink(usb.join("1-2:1.0/ttyUSB0"), at("sys/class/tty/ttyUSB0/device")).unwrap();
        fs::create_dir_all(at("sys/devices/platform/serial8250")).unwrap();
        std::os::unix::fs::symlink(at("sys/devices/platform/serial8250"), at("sys/class/tty/ttyS0/device")).unwrap();
        fs::write(at("sys/class/tty/ttyS0/type"), "0\n").unwrap();
        fs::create_dir_all(at("dev/serial/by-id")).unwrap();
        fs::write(at("dev/ttyUSB0"), "").unwrap();
        std::os::unix::fs::symlink("../../ttyUSB0", at("dev/serial/by-id/usb-Maker_Cable_A1-if00-port0")).unwrap();
        fs::create_dir_all(at("etc")).unwrap();
        let meta = fs::metadata(at("dev/ttyUSB0")).unwrap();
        fs::write(at("etc/passwd"), format!("someone:x:{}:0::/:\n", meta.uid())).unwrap();
        fs::write(at("etc/group"), format!("dialout:x:{}:\n", meta.gid())).unwrap();
        fs::create_dir_all(at("proc/self")).unwrap();
        let roots = Roots { dev: at("dev"), sys: at("sys"), etc: at("etc"), proc: at("proc") };
        (dir, roots)
    }

    fn mode(roots: &Roots, mode: u32) {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(roots.dev.join("ttyUSB0"), fs::Permissions::from_mode(mode)).unwrap();
    }

    #[test]
    fn a_port_is_listed_with_its_stable_name_and_usb_identity_and_others_are_not() {
        let (_dir, roots) = system();
        mode(&roots, 0o660);
        let found = ports(&roots);
        assert_eq!(found.len(), 1, "{found:?}");
        let port = &found[0];
        assert!(port.path.ends_with("dev/ttyUSB0") && port.by_id[0].ends_with("usb-Maker_Cable_A1-if00-port0"));
        let usb = Usb { id: "0403:6001".into(), text: "Maker Cable".into(), serial: Some("A1".into()) };
        assert_eq!(port.usb, Some(usb));
        assert_eq!(port.access, "someone:dialout rw-rw----");
    }

    #[test]
    fn access_is_that_of_owner_group_or_others() {
        let (_dir, roots) = system();
        let meta = fs::metadata(roots.dev.join("ttyUSB0")).unwrap();
        let (uid, gid) = (meta.uid(), meta.gid());
        let may = |bits: u32, user: u32, groups: &str| {
            mode(&roots, bits);
            let status = format!("Uid:\t{user}\t{user}\nGid:\t7777\t7777\nGroups:\t{groups}\n");
            fs::write(roots.proc.join("self/status"), status).unwrap();
            ports(&roots)[0].may_open
        };
        let other = uid + 4321;
        assert_eq!(may(0o660, other, "12 13"), Some(false));
        assert_eq!(may(0o660, other, &format!("12 {gid}")), Some(true));
        assert_eq!(may(0o640, other, &format!("{gid}")), Some(false));
        assert_eq!(may(0o666, other, ""), Some(true));
        assert!(ports(&roots)[0].text().contains("you may open it"));
        fs::remove_file(roots.proc.join("self/status")).unwrap();
        assert_eq!(ports(&roots)[0].may_open, None);
    }
}
