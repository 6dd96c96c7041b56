"""The version of this software, which every measurement states."""

VERSION = "0.1.0"
