"""How large an input may be, in one place, each with its reason: a reader stops there, before anything is parsed.

Rules: numbers only, so that importing this costs nothing; what limits a search or an answer is with its algorithm;
`media/volume/verify.py`, which is copied to media alone, repeats the one that it needs.
"""

from __future__ import annotations

_KIB, _MIB, _GIB = 1 << 10, 1 << 20, 1 << 30

# Documents that a person writes
MANIFEST_BYTES = 16 * _MIB  # 10,000 bundles of 30 images have about 12 MiB
CHECKSUM_LIST_BYTES = 16 * _MIB  # as many lines as a manifest has bundles, with long names
INVENTORY_BYTES = 64 * _MIB  # 300,000 components as JSON
HAND_PLAN_BYTES = 1 * _MIB  # a person wrote each of its steps
CALENDAR_BYTES = 4 * _MIB  # 1,000 windows with long descriptions
STORE_SETTINGS_BYTES = 64 * _KIB  # a page of settings
COLUMN_MAP_BYTES = 1 * _MIB  # a line for each of some thousand columns
REDFISH_MAP_BYTES = 4 * _MIB  # a line for each of 20,000 items
RECORDED_FILE_BYTES = 16 * _MIB  # 100,000 rows of what was done
NETRC_BYTES = 64 * _KIB  # a page of accounts
HEADER_FILE_BYTES = 64 * _KIB  # a token and a few headers
PAPER_BYTES = 64 * _KIB  # typed from paper: 400 lines
PASSPHRASE_BYTES = 1024  # longer than anybody types

# Documents that bundlekeeper writes
ROUTE_BYTES = 64 * _MIB  # a route of 500 domains
PACKING_BYTES = 32 * _MIB  # 100,000 files with their sources
LABELS_BYTES = 64 * _MIB  # a page of labels with the index's digest and a drawn code for each volume
SET_INDEX_BYTES = 16 * _MIB  # 50,000 files in whole
PLAN_RECORD_BYTES = 64 * _KIB  # what is said of one plan
SET_RECORD_BYTES = 32 * _MIB  # an index's files, each with when and how it arrived
NOTICE_BYTES = 16 * _MIB  # no more than the manifest that it is made from
RECEIPT_HEADER_BYTES = 64 * _MIB  # a set's record and what is missing of it
RECEIPT_BYTES = 8 * _GIB  # with a ledger of 20 million events
LEDGER_LINE_BYTES = 2 * INVENTORY_BYTES  # one event, or one inventory as base64 of compressed text
LEDGER_FILE_BYTES = 8 * _GIB  # 20 million events, which take about as much memory packed
LEDGER_EVENTS = 20_000_000
BATCHES_OF_EVENT = 64  # in one file; an event is in one more batch for each store that it went through
RESUME_BYTES = 32 * _MIB  # the state of 1,000 volumes in work
LISTING_BYTES = 64 * _MIB  # a manifest parsed, kept as JSON
DOWNLOAD_RECORD_BYTES = 64 * _KIB  # the state of one download
QUARANTINE_NOTE_BYTES = 64 * _KIB  # eight lines, a path in one of them
LOCK_BYTES = 4096  # the holder, in a line
MARK_BYTES = 4096  # the mark that a volume is unfinished

# Keys and signatures
SIGNATURE_BYTES = 1 * _MIB  # the largest of any form: CMS with its certificates
RAW_SIGNATURE_BYTES = 16 * _KIB  # a 16384-bit RSA signature has 2 KiB, 2.8 KiB in base64
SSH_SIGNATURE_BYTES = 64 * _KIB  # one with a 16384-bit RSA key has 6 KiB
MINISIGN_SIGNATURE_BYTES = 16 * _KIB  # minisign's own bound of a comment is 8 KiB
WHOLE_MESSAGE_BYTES = 1 * _GIB  # kept in memory for the forms that sign no digest
KEY_BYTES = 64 * _KIB  # a 16384-bit RSA key has 12 KiB
CERTIFICATES_BYTES = 1 * _MIB  # of roots or intermediates in one file
ENTRY_CERTIFICATES_BYTES = 2 * _MIB  # all roots and intermediates of a trust entry together
CRL_BYTES = 8 * _MIB  # a revocation list of 200,000 numbers
ENTRY_CRL_BYTES = CRL_BYTES  # all revocation lists of a trust entry together
ENTRY_FILE_BYTES = 64 * _KIB  # a trust entry's own text
ENTRY_PEM_BYTES = 16 * _MIB  # revocation lists are the largest
CA_BYTES = 16 * _MIB  # a system's whole list of roots has 0.5 MiB

# Files on a medium
TAG_BYTES = 32 * _MIB  # a manifest of 100,000 long names by SHA-512 has some 25 MiB
BAG_INFO_BYTES = 1 * _MIB  # a page for people
BAG_DECLARATION_BYTES = 1024  # two lines (RFC 8493)
SMALL_FILE_BYTES = MANIFEST_BYTES  # the largest of what is read whole from a volume

# Texts in any of them
TEXT_CHARACTERS = 4096  # a note, a reason, a place
VERSION_CHARACTERS = 128  # of one version
RANGE_CHARACTERS = 512  # of one range of versions
NAME_BYTES = 255  # NAME_MAX of ext4, xfs, btrfs, tmpfs; FAT and NTFS: 255 UTF-16 units, which this implies
NAME_CHARACTERS = 240  # leaves space for a folder on a medium (a path of 260) and for a temporary suffix
FOLDER_CHARACTERS = 120  # so that two folders and a name still fit
