"""Tests of the desk: the server, what it shows, what it writes, who may do what."""
