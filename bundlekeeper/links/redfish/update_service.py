"""What an UpdateService states of itself: the ways by which it takes a file, when it applies one, what is against it.

Rules: a way is used only where the targets and the apply time can be named in it; what the service does not state, it
is not asked for; ForceUpdate is never sent. Pure.
Source: DMTF DSP0266 and DSP8010 (UpdateService, Task), property names as in the published schemas; the annotation
OperationApplyTimeSupport of MultipartHttpPushUri: from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from bundlekeeper.formats.escape import some, visible
from bundlekeeper.links.redfish.walk import Body
from bundlekeeper.model.upload import UploadWay, redfish_word

_SUPPORT = "@Redfish.OperationApplyTimeSupport"
_APPLY = "@Redfish.OperationApplyTime"
_WINDOW = "@Redfish.MaintenanceWindow"
_MAX_WORDS = 20
_OPTIONS, _APPLY_TIME = "HttpPushUriOptions", "HttpPushUriApplyTime"


@dataclass(frozen=True, slots=True)
class UploadOrder:
    """What is to be sent: to which resources, applied when. `window` are its begin (ISO 8601) and its seconds.

    `image_uri` is where the service may fetch the file itself, None where no user named one.
    """

    targets: tuple[str, ...]
    apply_time: str
    file: str
    size_bytes: int
    window: tuple[str, int] | None = None
    image_uri: str | None = None


@dataclass(frozen=True, slots=True)
class ChosenWay:
    """The way that is used, with the link that it is sent to."""

    way: UploadWay
    reference: str


def against(update: Body, order: UploadOrder) -> list[str]:
    """Why this service takes no file now, or not this one; empty where nothing is against it."""
    found = []
    if update.get("ServiceEnabled") is False:
        found.append("its update service is switched off (ServiceEnabled)")
    status = update.get("Status")
    state = status.get("State") if isinstance(status, Mapping) else None
    if isinstance(state, str) and state not in ("Enabled", "Updating", "StandbyOffline"):
        found.append(f"its update service is in the state {visible(state)[:40]}")
    largest = update.get("MaxImageSizeBytes")
    if isinstance(largest, int) and not isinstance(largest, bool) and 0 <= largest < order.size_bytes:
        found.append(f"it takes files of at most {largest} bytes (MaxImageSizeBytes), this one has {order.size_bytes}")
    return found


def choose(update: Body, order: UploadOrder, reachable: Mapping[UploadWay, str]) -> ChosenWay | list[str]:
    """The first way that can be used; or, where none can, the reason against each of them.

    `reachable` says why a way's address cannot be used, for the ways of which that is so.
    """
    reasons = []
    for way, why in ((way, _why_not(way, update, order)) for way in UploadWay):
        reason = why or reachable.get(way, "")
        if not reason:
            return ChosenWay(way, reference(way, update) or "")
        reasons.append(f"{way}: {reason}")
    return reasons


def reference(way: UploadWay, update: Body) -> str | None:
    """The link of a way, None where the service has none."""
    if way is UploadWay.SIMPLE:
        found = _table(update, "Actions", "#UpdateService.SimpleUpdate").get("target")
    else:
        found = update.get(way.value)
    return found if isinstance(found, str) and found else None


def _why_not(way: UploadWay, update: Body, order: UploadOrder) -> str:
    if reference(way, update) is None:
        return "the service does not have it"
    if way is UploadWay.SIMPLE and order.image_uri is None:
        return "no --image-uri names where the service may fetch the file"
    if way is UploadWay.PUSH:
        if "HttpPushUriTargets" not in update:
            return "its targets cannot be named (no HttpPushUriTargets)"
        if update.get("HttpPushUriTargetsBusy") is True or update.get("HttpPushUriOptionsBusy") is True:
            return "another client reserved it (HttpPushUriTargetsBusy, HttpPushUriOptionsBusy)"
    wanted, allowed = redfish_word(order.apply_time), apply_times(way, update)
    if allowed is None:
        return f"it does not state when it applies an update, so not that it can wait for {wanted}"
    if wanted not in allowed:
        return f"it cannot apply an update at {wanted}, only at {some(allowed) or 'no time that it names'}"
    return _protocol(update, order) if way is UploadWay.SIMPLE else ""


def apply_times(way: UploadWay, update: Body) -> list[str] | None:
    """When an update may be applied by that way; None where the service does not state it."""
    if way is UploadWay.PUSH:
        found = _table(update, _OPTIONS, _APPLY_TIME).get("ApplyTime@Redfish.AllowableValues")
    elif way is UploadWay.SIMPLE:
        found = _table(update, "Actions", "#UpdateService.SimpleUpdate", _SUPPORT).get("SupportedValues")
    else:
        found = _table(update, f"{way.value}{_SUPPORT}").get("SupportedValues")
    return (
        [visible(word)[:60] for word in found[:_MAX_WORDS] if isinstance(word, str)]
        if isinstance(found, list)
        else None
    )


def _protocol(update: Body, order: UploadOrder) -> str:
    """Why the service cannot fetch from the address that the user gave; "" where that is not stated."""
    allowed = _table(update, "Actions", "#UpdateService.SimpleUpdate").get("TransferProtocol@Redfish.AllowableValues")
    scheme = urlsplit(order.image_uri or "").scheme.upper()
    if isinstance(allowed, list) and scheme not in allowed:
        return f"it cannot fetch by {scheme or 'an address without a scheme'}"
    return ""


def _table(body: Body, *names: str) -> Body:
    found: Any = body
    for name in names:
        found = found.get(name) if isinstance(found, Mapping) else None
    return found if isinstance(found, Mapping) else {}


# -- what is sent ------------------------------------------------------------------------------------------------------


def parameters(order: UploadOrder) -> dict[str, Any]:
    """The UpdateParameters of a multipart push; of a SimpleUpdate they come beside its address."""
    found: dict[str, Any] = {"Targets": list(order.targets), _APPLY: redfish_word(order.apply_time)}
    if order.window is not None:
        found[_WINDOW] = {
            "MaintenanceWindowStartTime": order.window[0],
            "MaintenanceWindowDurationInSeconds": order.window[1],
        }
    return found


def simple_update(order: UploadOrder) -> dict[str, Any]:
    """The body of the action SimpleUpdate."""
    return {"ImageURI": order.image_uri, **parameters(order)}


def reservation(order: UploadOrder) -> dict[str, Any]:
    """What is set at the UpdateService before a file is sent to HttpPushUri."""
    time: dict[str, Any] = {"ApplyTime": redfish_word(order.apply_time)}
    if order.window is not None:
        time["MaintenanceWindowStartTime"], time["MaintenanceWindowDurationInSeconds"] = order.window
    return {
        "HttpPushUriTargets": list(order.targets),
        "HttpPushUriTargetsBusy": True,
        _OPTIONS: {_APPLY_TIME: time},
        "HttpPushUriOptionsBusy": True,
    }


def release(update: Body) -> dict[str, Any]:
    """What is set afterwards: as it was before."""
    before = update.get("HttpPushUriTargets")
    found: dict[str, Any] = {
        "HttpPushUriTargets": before if isinstance(before, list) else [],
        "HttpPushUriTargetsBusy": False,
        "HttpPushUriOptionsBusy": False,
    }
    time = _table(update, _OPTIONS, _APPLY_TIME).get("ApplyTime")
    if isinstance(time, str):
        found[_OPTIONS] = {_APPLY_TIME: {"ApplyTime": time}}
    return found


def messages(body: Body | None) -> tuple[str, ...]:
    """The texts of a task or of an error, printable, bounded in number and length."""
    rows: Sequence[Any] = ()
    if body is not None:
        listed = body.get("Messages")
        listed = listed if isinstance(listed, list) else _table(body, "error").get("@Message.ExtendedInfo")
        rows = listed if isinstance(listed, list) else ()
    texts = []
    for row in rows[:_MAX_WORDS]:
        found = row.get("Message") or row.get("MessageId") if isinstance(row, Mapping) else None
        if isinstance(found, str) and found.strip():
            texts.append(visible(found.strip()[:200]))
    return tuple(dict.fromkeys(texts))
