"""
Pin groups, positions and what is switched on, against the device trees in Debian's own kernels.

Source: packages linux-image-arm64 of Debian 12 and 13 (keys DTB_D12, DTB_D13), fetched by apt from
the mirror that this machine is configured for, decompiled with dtc. Bindings: kernel
Documentation/devicetree/bindings/pinctrl/brcm,bcm2835-gpio.txt and rockchip,pinctrl.yaml.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from robokit_plan.edge.facts import read_board
from robokit_plan.model import Board, LineFunction

pytestmark = pytest.mark.live

Node = dict[str, str]
Tree = dict[str, Node]

SUITES = {"debian-12": "bookworm", "debian-13": "trixie"}
FILES = {
    "raspberrypi,4-model-b": "broadcom/bcm2711-rpi-4-b.dtb",
    "raspberrypi,400": "broadcom/bcm2711-rpi-400.dtb",
    "raspberrypi,3-model-b": "broadcom/bcm2837-rpi-3-b.dtb",
    "raspberrypi,3-model-b-plus": "broadcom/bcm2837-rpi-3-b-plus.dtb",
    "raspberrypi,3-model-a-plus": "broadcom/bcm2837-rpi-3-a-plus.dtb",
    "raspberrypi,model-zero-2-w": "broadcom/bcm2837-rpi-zero-2-w.dtb",
    "raspberrypi,5-model-b": "broadcom/bcm2712-rpi-5-b.dtb",
    "radxa,rockpi4a": "rockchip/rk3399-rock-pi-4a.dtb",
    "radxa,rockpi4a-plus": "rockchip/rk3399-rock-pi-4a-plus.dtb",
    "radxa,rockpi4b": "rockchip/rk3399-rock-pi-4b.dtb",
    "radxa,rockpi4b-plus": "rockchip/rk3399-rock-pi-4b-plus.dtb",
    "radxa,rockpi4c": "rockchip/rk3399-rock-pi-4c.dtb",
    "radxa,rock-4se": "rockchip/rk3399-rock-4se.dtb",
    "radxa,rock-5b": "rockchip/rk3588-rock-5b.dtb",
    "xunlong,orangepi-5": "rockchip/rk3588s-orangepi-5.dtb",
    "libretech,aml-s905x-cc": "amlogic/meson-gxl-s905x-libretech-cc.dtb",
}
NEWEST = "raspberrypi,5-model-b"
BROADCOM = [name for name in FILES if name.startswith("raspberrypi,") and name != NEWEST]
SMALL = {
    "raspberrypi,2-model-b": "bcm2836-rpi-2-b.dtb",
    "raspberrypi,model-b-plus": "bcm2835-rpi-b-plus.dtb",
    "raspberrypi,model-zero": "bcm2835-rpi-zero.dtb",
    "raspberrypi,model-zero-w": "bcm2835-rpi-zero-w.dtb",
    "ti,am335x-bone-black": "am335x-boneblack.dtb",
}
"""Boards of the 32-bit kernel (linux-image-armmp of Debian 12, key DTB_ARMMP)."""
ROCKCHIP = [name for name in FILES if "rockchip" in FILES[name]]


def run(*words: str, cwd: Path | None = None, conf: Path | None = None) -> str:
    environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C"}
    if conf is not None:
        environment["APT_CONFIG"] = str(conf)
    done = subprocess.run(
        words, cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def kernels(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return release -> folder of device trees."""
    for tool in ("apt-get", "dpkg-deb", "dtc"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    site = mirror()
    return {
        release: fetched(tmp_path_factory.mktemp(suite), suite, site)
        for release, suite in SUITES.items()
    }


@pytest.fixture(scope="module")
def small_kernel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of device trees of the 32-bit kernel."""
    for tool in ("apt-get", "dpkg-deb", "dtc"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    return fetched(tmp_path_factory.mktemp("armmp"), "bookworm", mirror(), "armhf", "armmp")


def mirror() -> str:
    """Return the Debian mirror that this machine's apt is configured for."""
    sites = run("apt-get", "indextargets", "--format", "$(REPO_URI)", "Created-By: Packages")
    site = next((one for one in sites.split() if re.search(r"/debian/?$", one)), None)
    if site is None:
        pytest.skip("apt knows no Debian mirror here")
    return site


def fetched(
    root: Path, suite: str, site: str, architecture: str = "arm64", flavour: str = "arm64"
) -> Path:
    """Return the folder of device trees of the newest kernel of *suite*."""
    for folder in ("lists/partial", "cache/archives/partial"):
        (root / folder).mkdir(parents=True)
    (root / "status").touch()
    (root / "one.sources").write_text(
        f"Types: deb\nURIs: {site}\nSuites: {suite}\nComponents: main\n"
        "Signed-By: /usr/share/keyrings/debian-archive-keyring.gpg\n"
    )
    conf = root / "apt.conf"
    conf.write_text(
        f'Dir::Etc::sourcelist "{root}/one.sources";\nDir::Etc::sourceparts "-";\n'
        f'Dir::State "{root}";\nDir::State::status "{root}/status";\n'
        f'Dir::State::Lists "{root}/lists";\nDir::Cache "{root}/cache";\n'
        f'APT::Architecture "{architecture}";\nAPT::Architectures {{"{architecture}";}};\n'
        'APT::Sandbox::User "root";\nAcquire::Languages "none";\n'
        "#clear APT::Update::Post-Invoke-Success;\n"
    )
    run("apt-get", "update", "-qq", "-o", "APT::Update::Error-Mode=any", conf=conf)
    meta = run("apt-cache", "depends", f"linux-image-{flavour}", conf=conf)
    kernel = next(line.split()[1] for line in meta.splitlines() if "Depends:" in line)
    run("apt-get", "download", "-qq", kernel, cwd=root, conf=conf)
    package = next(root.glob("linux-image-*.deb"))
    # A release may lack the tree of a newer board, so whole makers are taken.
    wide = sorted({f"*/{Path(name).parent}/*.dtb" for name in FILES.values()})
    names = wide if architecture == "arm64" else [f"*/{name}" for name in SMALL.values()]
    tar = root / "data.tar"
    with tar.open("wb") as out:
        subprocess.run(["dpkg-deb", "--fsys-tarfile", str(package)], stdout=out, check=True)
    run("tar", "-xf", str(tar), "-C", str(root), "--wildcards", *names)
    tar.unlink()
    package.unlink()
    return next((root / "usr" / "lib").glob("linux-image-*"))


def tree(kernels: dict[str, Path], release: str, board: str) -> Tree:
    """Return path -> properties as dtc prints them, of the tree of *board*."""
    return nodes_of(kernels[release] / FILES[board])


def nodes_of(file: Path) -> Tree:
    """Return path -> properties as dtc prints them."""
    text = run("dtc", "-q", "-I", "dtb", "-O", "dts", str(file))
    nodes: Tree = {}
    path: list[str] = []
    for raw in text.splitlines():
        line = raw.strip()
        if line.endswith("{"):
            path.append(line[:-1].strip())
            nodes["/".join(path)] = {}
        elif line == "};":
            path.pop()
        elif path and line.endswith(";"):
            name, _, value = line[:-1].partition(" = ")
            nodes["/".join(path)][name] = value
    return nodes


def cells(value: str) -> list[int]:
    return [int(one, 16) for one in re.findall(r"0x[0-9a-f]+", value)]


FUNCTION_CODES = {4: "0", 5: "1", 6: "2", 7: "3", 3: "4", 2: "5"}
"""Value of brcm,function -> alternate function (binding brcm,bcm2835-gpio)."""
SAME_BUS = {"sdhost": "sd0", "emmc": "sd1", "i2c_slave": "i2c_spi_target"}


def groups(nodes: Tree) -> Iterator[tuple[str, int, str]]:
    """Yield group name, line number and alternate function of every pin group."""
    for path, node in nodes.items():
        if "brcm,pins" in node and "brcm,function" in node:
            name = path.rpartition("/")[2].replace("-", "_")
            code = cells(node["brcm,function"])
            for number in cells(node["brcm,pins"]):
                if number < 28 and code[0] in FUNCTION_CODES:
                    yield name, number, FUNCTION_CODES[code[0]]


@pytest.mark.parametrize("release", sorted(SUITES))
@pytest.mark.parametrize("board", BROADCOM)
def test_pin_groups_of_the_first_family(kernels: dict[str, Path], release: str, board: str) -> None:
    """Each group of the kernel's tree names a function that our table has at that number."""
    differs = wrong_groups(board, tree(kernels, release, board))
    # That tree calls channel 1 of the only block PWM1, as the older documents do.
    assert differs <= {("pwm1_gpio13", 13, ("pwm0",)), ("pwm1_gpio19", 19, ("pwm0",))}


@pytest.mark.parametrize("board", [name for name in SMALL if name.startswith("raspberrypi,")])
def test_pin_groups_of_the_small_boards(small_kernel: Path, board: str) -> None:
    """The same against the 32-bit kernel, which alone carries these boards."""
    differs = wrong_groups(board, nodes_of(small_kernel / SMALL[board]))
    assert differs <= {("pwm1_gpio13", 13, ("pwm0",)), ("pwm1_gpio19", 19, ("pwm0",))}


def test_what_the_capes_board_switches_on(small_kernel: Path) -> None:
    """The bus of the identification memories runs without a setting, and no label can be named."""
    name = "ti,am335x-bone-black"
    nodes = nodes_of(small_kernel / SMALL[name])
    (way,) = [one for one in read_board(name).boot["debian"].enables if not one.words]
    path = nodes["//aliases"][way.bus].strip('"')
    assert nodes["/" + path]["status"] == '"okay"'
    assert not any("__symbols__" in one for one in nodes)


def test_the_newest_tree_has_nothing_on_the_header(kernels: dict[str, Path]) -> None:
    """Debian's tree of that board describes none of the header's controllers."""
    nodes = tree(kernels, "debian-13", NEWEST)
    assert nodes
    assert not any(
        "rp1" in path or "rp1" in node.get("compatible", "") for path, node in nodes.items()
    )
    board = read_board(NEWEST)
    assert [way.bus for way in board.boot["debian"].enables if not way.words] == []
    assert "debian" not in board.devices


def wrong_groups(board: str, nodes: Tree) -> set[tuple[str, int, tuple[str, ...]]]:
    """Return the groups of *nodes* that our table of *board* contradicts."""
    lines = read_board(board).lines
    compared = 0
    differs: set[tuple[str, int, tuple[str, ...]]] = set()
    for name, number, alt in groups(nodes):
        bus = re.match(r"(i2c_slave|i2c\d|[a-z]+\d*)", name)
        if bus is None or "gpio" not in name:
            continue
        want = SAME_BUS.get(bus[1], bus[1])
        line = next(one for one in lines.values() if one.name == f"gpio{number}")
        has = {one.bus for one in line.functions if one.alt == alt}
        compared += 1
        if want not in has:
            differs.add((name, number, tuple(sorted(has))))
    assert compared > 60
    return differs


@pytest.mark.parametrize("release", sorted(SUITES))
@pytest.mark.parametrize("board", BROADCOM)
def test_what_plain_debian_switches_on_by_itself(
    kernels: dict[str, Path], release: str, board: str
) -> None:
    """`Board.boot` says that i2c1 and the small UART need no setting; their nodes are okay."""
    nodes = tree(kernels, release, board)
    by_handle = {node["phandle"]: path for path, node in nodes.items() if "phandle" in node}
    on = set()
    for path, node in nodes.items():
        if (
            not re.match(r"(i2c|serial)@", path.rpartition("/")[2])
            or node.get("status") != '"okay"'
        ):
            continue
        for handle in cells(node.get("pinctrl-0", "")):
            group = by_handle.get(f"<0x{handle:02x}>", "")
            on.add(group.rpartition("/")[2].replace("-", "_"))
    vocabulary = read_board(board).boot["debian"]
    silent = {way.bus for way in vocabulary.enables if not way.words}
    assert silent == {"i2c1", "uart1"}
    assert {"i2c1_gpio2", "uart1_gpio14"} <= on
    assert not any(group.startswith(("spi", "i2c3")) for group in on)


def test_which_trees_take_overlays(kernels: dict[str, Path]) -> None:
    """Without __symbols__ no overlay that names labels can be applied."""
    takes = {
        (release, board): any("__symbols__" in path for path in tree(kernels, release, board))
        for release in SUITES
        for board in ("raspberrypi,4-model-b", "radxa,rock-5b", "libretech,aml-s905x-cc")
        if (kernels[release] / FILES[board]).exists()
    }
    assert {key for key, value in takes.items() if value} == {
        ("debian-13", "raspberrypi,4-model-b")
    }


def rockchip_functions(nodes: Tree) -> Iterator[tuple[str, str, str, str | None, str]]:
    """Yield pad, bus, alternate function, route and group name of every pin group."""
    for path, node in nodes.items():
        name = path.rpartition("/")[2]
        found = re.match(r"(i2c|spi|uart|pwm|can|spdif)(\d*)(m\d|[a-c])?-", name)
        if found is None or "rockchip,pins" not in node:
            continue
        numbers = cells(node["rockchip,pins"])
        for bank, pin, mux in zip(numbers[::4], numbers[1::4], numbers[2::4], strict=True):
            pad = f"GPIO{bank}_{'ABCD'[pin // 8]}{pin % 8}"
            yield pad, found[1] + found[2], str(mux), found[3], name


def has_function(
    functions: tuple[LineFunction, ...], bus: str, alt: str, route: str | None
) -> bool:
    return any(
        one.bus == bus and one.alt == alt and one.route in {route, None} for one in functions
    )


@pytest.mark.parametrize("board", ROCKCHIP)
def test_pin_groups_of_the_second_maker(kernels: dict[str, Path], board: str) -> None:
    """Each group of the kernel's tree on a header pad is a function that our table has there."""
    ours = read_board(board).lines
    compared = 0
    differs = []
    for pad, bus, alt, route, name in rockchip_functions(tree(kernels, "debian-13", board)):
        line = next((one for one in ours.values() if one.name == pad), None)
        # Mux 0 makes a select an ordinary line.
        if line is None or alt == "0":
            continue
        compared += 1
        # The spdif routes are named after pads in the older tree.
        if not has_function(line.functions, bus, alt, route) and bus != "spdif":
            differs.append((pad, name))
    # Trees without symbols keep only groups that something refers to.
    assert compared >= 2
    assert differs == []


@pytest.mark.parametrize("release", sorted(SUITES))
def test_positions_by_line_names(kernels: dict[str, Path], release: str) -> None:
    """That tree names lines by connector and pin: ``7J1 Header Pin3``."""
    nodes = tree(kernels, release, "libretech,aml-s905x-cc")
    board = read_board("libretech,aml-s905x-cc")
    found = dict(positions(nodes, board))
    ours = {
        str(pin.id): (board.lines[pin.lines[0]].chip, board.lines[pin.lines[0]].offset)
        for pin in board.pins
        if pin.lines
    }
    assert len(found) == 28
    assert found == ours


def positions(nodes: Tree, board: Board) -> Iterator[tuple[str, tuple[str | None, int | None]]]:
    chips = sorted({line.chip for line in board.lines.values() if line.chip is not None})
    for path, node in nodes.items():
        names = node.get("gpio-line-names")
        if names is None:
            continue
        # The always-on block has few lines, the other a hundred.
        words = re.findall(r'"([^"]*)"', names)
        words = words[0].split("\\0") if len(words) == 1 else words
        chip = chips[0] if "ao" in path.split("/")[-2] or len(words) < 20 else chips[1]
        for offset, word in enumerate(words):
            match = re.search(r"7J1 Header Pin(\d+)", word)
            if match is not None:
                yield match[1], (chip, offset)


def aliases_of(nodes: Tree) -> set[str]:
    """Return the aliases by which the kernel numbers I2C, SPI and serial devices."""
    return {name for name in nodes["//aliases"] if re.fullmatch(r"(i2c|serial|spi)\d+", name)}


@pytest.mark.parametrize("board", sorted(set(FILES) - {NEWEST}))
def test_device_numbers_are_aliases(kernels: dict[str, Path], board: str) -> None:
    """A path with a number is told for plain Debian only where an alias fixes the number."""
    paths = {str(bus): path for bus, path in read_board(board).devices["debian"].items()}
    aliases = aliases_of(tree(kernels, "debian-13", board))
    if board.startswith("raspberrypi,"):
        assert aliases == {"serial0", "serial1"}
        # serial0 is the full port there, serial1 the small one.
        assert paths["uart0"] == "/dev/ttyAMA0"
        assert paths["uart1"] == "/dev/ttyS1"
        assert not any(bus.startswith("i2c") for bus in paths)
        return
    for bus, path in paths.items():
        if bus.startswith("i2c"):
            assert path == f"/dev/i2c-{bus[3:]}"
            assert bus in aliases
        elif bus.startswith("uart"):
            assert path == f"/dev/ttyS{bus[4:]}"
            assert f"serial{bus[4:]}" in aliases


@pytest.mark.parametrize("board", sorted(FILES))
def test_pwm_blocks_are_where_the_tree_puts_them(kernels: dict[str, Path], board: str) -> None:
    """The device's name is the block's address as the processor sees it."""
    nodes = tree(kernels, "debian-13", board)
    here = set()
    for path, node in nodes.items():
        name = path.rpartition("/")[2]
        if name.startswith("pwm@") and "reg" in node:
            here.add(f"{translated(nodes, path, int(name[4:], 16)):08x}.pwm")
    for bus, path in read_board(board).devices.get("debian", {}).items():
        if bus.startswith("pwm"):
            assert path.split("/")[5] in here, bus


def translated(nodes: Tree, path: str, address: int) -> int:
    """Return *address* of the node at *path* after the ranges of all buses above it."""
    parts = path.split("/")
    for depth in range(len(parts) - 1, 0, -1):
        parent = "/".join(parts[:depth])
        ranges = cells(nodes.get(parent, {}).get("ranges", ""))
        above = "/".join(parts[: depth - 1])
        outer = cells(nodes.get(above, {}).get("#address-cells", "<0x02>"))[0]
        inner = cells(nodes.get(parent, {}).get("#address-cells", "<0x02>"))[0]
        size = cells(nodes.get(parent, {}).get("#size-cells", "<0x01>"))[0]
        step = inner + outer + size
        for at in range(0, len(ranges) - step + 1, step):
            child = joined(ranges[at : at + inner])
            length = joined(ranges[at + inner + outer : at + step])
            if child <= address < child + length:
                address += joined(ranges[at + inner : at + inner + outer]) - child
                break
    return address


def joined(numbers: list[int]) -> int:
    found = 0
    for one in numbers:
        found = found << 32 | one
    return found
