"""Checksums of an image: reckoned, compared with what is stored, corrected in order, found where nobody knows them."""
