"""The standards' tables as data, with the codecs that read them."""
