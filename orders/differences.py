"""What a new quote says about the one that it takes the place of."""

from __future__ import annotations

from typing import Any

from pricing.money import format_money

from .models import Order, Quote
from .words import counted


def differences(old: Quote, new: Quote) -> list[str]:
    """Return one sentence for each thing that differs, the total last."""
    sentences = [*_of_lines(old.request, new.request), *_of_terms(old.terms, new.terms)]
    if old.price_sheet_id != new.price_sheet_id:
        sentences.append(
            f"Prices are those of “{new.price_sheet.name}” instead of “{old.price_sheet.name}”."
        )
    if old.lead_working_days != new.lead_working_days:
        sentences.append(
            f"Ready in {counted(new.lead_working_days, 'working day')}"
            f" instead of {old.lead_working_days}."
        )
    total = format_money(new.total, new.currency)
    if (new.total, new.currency) == (old.total, old.currency):
        return [*sentences, f"In all {total}, as before."]
    return [*sentences, f"In all {total} instead of {format_money(old.total, old.currency)}."]


def _of_lines(old: list[dict[str, Any]], new: list[dict[str, Any]]) -> list[str]:
    before, after = ({_key(line): line for line in lines} for lines in (old, new))
    sentences = []
    for key, line in after.items():
        if key in before:
            sentences += _of_line(before[key], line)
        else:
            sentences.append(f"Added: {line['quantity']} × {_title(line)}.")
    sentences += [f"Taken out: {_title(line)}." for key, line in before.items() if key not in after]
    return sentences


def _of_line(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    title, sentences = _title(new), []
    if old["version"] != new["version"]:
        if old.get("size") != new.get("size"):
            sentences.append(f"{title}: {new.get('size')} instead of {old.get('size')}.")
        else:
            sentences.append(
                f"{title}: version {new.get('number')} instead of {old.get('number')}."
            )
    if old["quantity"] != new["quantity"]:
        pieces = counted(int(new["quantity"]), "piece")
        sentences.append(f"{title}: {pieces} instead of {old['quantity']}.")
    if old["film"] != new["film"]:
        sentences.append(f"{title}: {new.get('film_name')} instead of {old.get('film_name')}.")
    if old["with_cut_outs"] != new["with_cut_outs"]:
        joint = "with" if new["with_cut_outs"] else "without"
        sentences.append(f"{title}: {joint} the cut-outs.")
    return sentences


def _of_terms(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    sentences = []
    if old.get("delivery") and old["delivery"] != new["delivery"]:
        words = Order.Delivery(new["delivery"]).label
        sentences.append(f"Comes {words} instead of {Order.Delivery(old['delivery']).label}.")
    if old.get("rush_days") != new.get("rush_days"):
        days = new.get("rush_days")
        within = f"within {counted(int(days), 'working day')}" if days else "in the usual time"
        sentences.append(f"Wanted {within}.")
    if old.get("country") and old["country"] != new.get("country"):
        sentences.append(f"Goes to {new.get('country')} instead of {old['country']}.")
    return sentences


def _key(line: dict[str, Any]) -> Any:
    """What names a line over its changes; quotes of old have no number of the line."""
    return line.get("line") or (line["version"], line["film"])


def _title(line: dict[str, Any]) -> str:
    return f"“{line.get('title') or 'a drawing'}”"
