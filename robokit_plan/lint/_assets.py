"""Rules about files that are fetched at install time."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from robokit_plan.model import Asset, Finding, Manifest, Severity, finding, is_relative_path


def check_assets(manifest: Manifest) -> Iterator[Finding]:
    """Assets come over https, are checked by hash, and stay inside the plugin's folder."""
    parts = [manifest.base, *(variant.needs for variant in manifest.variants)]
    for at, needs in enumerate(parts):
        paths: dict[str, Asset] = {}
        for asset in (*(manifest.base.machine.assets if at else ()), *needs.machine.assets):
            first = paths.setdefault(asset.path, asset)
            if first is not asset and (first.url, first.sha256) != (asset.url, asset.sha256):
                yield finding(
                    "asset-twice",
                    Severity.ERROR,
                    f"two assets of {manifest.plugin} go to {asset.path}",
                    places=[first.origin, asset.origin],
                    why="the later download would replace the earlier one",
                    repair=f"path: {_numbered(asset.path)}   for one of the two",
                    plugins=[manifest.plugin],
                )
        for asset in needs.machine.assets:
            yield from _asset(manifest, asset)


def _numbered(path: str) -> str:
    """Return *path* with a 2 in its last name, before the ending."""
    folder, slash, name = path.rpartition("/")
    stem, dot, ending = name.rpartition(".")
    return f"{folder}{slash}{stem}-2{dot}{ending}" if stem else f"{path}-2"


def _asset(manifest: Manifest, asset: Asset) -> Iterator[Finding]:
    if asset.sha256 is None:
        yield finding(
            "asset-unhashed",
            Severity.ERROR,
            f"asset {asset.path} has no sha256",
            places=[asset.origin],
            why="a moved page or half a file would be taken for the asset",
            repair="sha256: the 64 digits that `sha256sum FILE` prints",
            plugins=[manifest.plugin],
        )
    scheme = urlsplit_scheme(asset.url)
    if scheme != "https":
        secure = f"https{asset.url[len(scheme) :]}"
        yield finding(
            "asset-insecure",
            Severity.WARNING if scheme == "http" else Severity.ERROR,
            f"asset {asset.path} is fetched by {scheme or 'no known scheme'}",
            places=[asset.origin],
            why="anybody on the way can read and hold back what is fetched"
            if scheme == "http"
            else "assets are fetched by https",
            repair=f"url: {secure}" if scheme in {"http", "ftp"} else "url: https://…",
            plugins=[manifest.plugin],
        )
    if not is_relative_path(asset.path):
        yield finding(
            "asset-path-escape",
            Severity.ERROR,
            f"asset path {asset.path!r} leads out of the plugin's folder",
            places=[asset.origin],
            why="an asset is kept with its plugin; .., / at the start and \\ are refused",
            repair=f"path: {_last_part(asset.path)}",
            plugins=[manifest.plugin],
        )
    if asset.license is None:
        yield finding(
            "asset-license-missing",
            Severity.NOTE,
            f"asset {asset.path} names no licence",
            places=[asset.origin],
            why="models and recordings often have another licence than the code",
            repair="license: CC-BY-4.0, or what its publisher says",
            plugins=[manifest.plugin],
        )


def urlsplit_scheme(url: str) -> str:
    """Return the scheme of *url* in small letters; "" where it has none that can be read."""
    try:
        return urlsplit(url).scheme.lower()
    except ValueError:
        return ""


def _last_part(path: str) -> str:
    parts = [one for one in path.replace("\\", "/").split("/") if one not in {"", ".", ".."}]
    return f"assets/{parts[-1]}" if parts else "assets/NAME"
