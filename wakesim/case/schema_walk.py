"""The schema, walked by the path of an error: what the value there was meant to be."""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, Tag

from wakesim.case.tables import LIST, NUMBER, TABLE, TEXT

TAGS = (NUMBER, LIST, TEXT, TABLE)


def parts(annotation: Any) -> list[Any]:
    """The alternatives of a union, without None; a plain annotation alone."""
    if get_origin(annotation) in (Union, types.UnionType):
        return [part for part in get_args(annotation) if part is not type(None)]
    return [annotation]


def unwrap(annotation: Any) -> tuple[Any, list[Any]]:
    """An annotation without Annotated and Optional around it, and the metadata found there."""
    metadata: list[Any] = []
    while True:
        if get_origin(annotation) is Annotated:
            inner, *found = get_args(annotation)
            for item in found:
                metadata.extend(getattr(item, "metadata", [item]))
            annotation = inner
        elif get_origin(annotation) is not None and len(parts(annotation)) == 1:
            part = parts(annotation)[0]
            if part is annotation:
                return annotation, metadata
            annotation = part
        else:
            return annotation, metadata


def field_at(loc: tuple[int | str, ...], root: type[BaseModel]) -> tuple[Any, list[Any]]:
    """Annotation and metadata of the value an error is about."""
    annotation: Any = root
    metadata: list[Any] = []
    for part in loc:
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            field = annotation.model_fields[str(part)]
            annotation, more = unwrap(field.annotation)
            metadata = [*field.metadata, *more]
        elif part in TAGS:
            branch = next(p for p in parts(annotation) if Tag(str(part)) in get_args(p))
            annotation, metadata = unwrap(branch)
        else:  # a list or a dictionary: what it holds
            inner = get_args(annotation)[0 if get_origin(annotation) is tuple else -1]
            annotation, metadata = unwrap(inner)
    return annotation, metadata


def model_at(path: tuple[int | str, ...], root: type[BaseModel]) -> type[BaseModel]:
    """The model of the table at a path."""
    annotation, _ = field_at(path, root)
    if not isinstance(annotation, type):  # a list or a table: the table
        annotation = next(
            inner for part in parts(annotation) for inner in models_in(unwrap(part)[0])
        )
    assert isinstance(annotation, type)
    assert issubclass(annotation, BaseModel)
    return annotation


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """Tables inside an annotation: directly, in a list or in a dictionary."""
    annotation, _ = unwrap(annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in (tuple, dict):
        for part in get_args(annotation):
            if part is not Ellipsis:
                yield from models_in(part)


def is_table(annotation: Any) -> bool:
    """Whether values of this annotation are tables, or lists or dictionaries of tables."""
    return any(True for _ in models_in(annotation))


def tables_of(
    model: type[BaseModel], name: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], type[BaseModel]]]:
    """Every table of the schema: its keys from the top, and its model."""
    yield name, model
    for key, field in model.model_fields.items():
        for inner in models_in(field.annotation):
            yield from tables_of(inner, (*name, key))
