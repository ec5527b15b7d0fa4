"""Frames and datagrams: headers chained, cut and put together."""
