"""The studies that a case can ask for, one file each: it composes the stages below."""
