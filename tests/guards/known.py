"""The guards: what, where, the text that is one, what is put in its place, and the test that must notice."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Guard:
    """One guard. `file` is below bundlekeeper/, `test` below tests/; `old` stands once in the file."""

    name: str
    file: str
    old: str
    new: str
    test: str


def _off(condition: str) -> str:
    """The same `if`, never true."""
    indent = condition[: len(condition) - len(condition.lstrip())]
    return f"{indent}if False:"


def _never(name: str, file: str, condition: str, test: str) -> Guard:
    """A guard that is an `if`."""
    return Guard(name, file, condition, _off(condition), test)


FILES = (
    Guard(
        "a folder of the store is no link: O_NOFOLLOW",
        "store/files.py",
        "_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC",
        "_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC",
        "test_store_faults.py::test_a_link_inside_the_tree_is_refused",
    ),
    Guard(
        "a bundle's place is no link: O_NOFOLLOW",
        "store/files.py",
        "_SOURCE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK",
        "_SOURCE = os.O_RDONLY | os.O_NONBLOCK",
        "test_store_faults.py::test_a_link_at_a_bundles_place_is_refused",
    ),
    Guard(
        "opening a FIFO does not wait: O_NONBLOCK",
        "store/files.py",
        "_SOURCE = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK",
        "_SOURCE = os.O_RDONLY | os.O_NOFOLLOW",
        "test_store_faults.py::test_a_link_at_a_bundles_place_is_refused",
    ),
    _never(
        "a bundle is a regular file",
        "store/files.py",
        "    if not stat.S_ISREG(mode):",
        "test_store_faults.py::test_a_link_at_a_bundles_place_is_refused",
    ),
    Guard(
        "a name that is taken is never replaced",
        "store/files.py",
        '    os.link(f"/proc/self/fd/{fd}", name,',
        '    remove(folder_fd, name)\n    os.link(f"/proc/self/fd/{fd}", name,',
        "test_store_layout.py::test_a_link_never_replaces",
    ),
    Guard(
        "EXDEV is an error",
        "store/incoming.py",
        "_NO_LINKS = {errno.EPERM,",
        "_NO_LINKS = {errno.EXDEV, errno.EPERM,",
        "test_faults_data.py::test_another_file_system_is_never_made_up_for",
    ),
    Guard(
        "short writes are continued",
        "store/files.py",
        "        rest = rest[os.write(fd, rest) :]",
        "        os.write(fd, rest)\n        break",
        "test_store_layout.py::test_short_writes_are_continued",
    ),
    Guard(
        "reads are bounded",
        "store/files.py",
        "        left = limit + 1",
        "        left = 1 << 40",
        "test_store_layout.py::test_a_bounded_read",
    ),
    Guard(
        "modes owe nothing to the umask",
        "store/files.py",
        "        os.fchmod(made, mode)",
        "        pass",
        "test_store_faults.py::test_modes_owe_nothing_to_the_umask",
    ),
    Guard(
        "fsync of each new folder's parent",
        "store/files.py",
        "                    os.fsync(above)",
        "                    pass",
        "test_store_kill.py::test_everything_is_synced_in_its_order",
    ),
    Guard(
        "fsync of the file before its name",
        "store/placing.py",
        "    os.fsync(temp.fd)\n    with files.folder(root, facts.folder, create=True) as folder:\n        "
        "temp.publish",
        "    with files.folder(root, facts.folder, create=True) as folder:\n        temp.publish",
        "test_store_kill.py::test_everything_is_synced_in_its_order",
    ),
    Guard(
        "fsync of the folder after the name",
        "store/placing.py",
        "        temp.publish(folder, facts.name)\n        os.fsync(folder)",
        "        temp.publish(folder, facts.name)",
        "test_store_kill.py::test_everything_is_synced_in_its_order",
    ),
    Guard(
        "an fsync that failed is not tried again",
        "store/placing.py",
        "    os.fsync(temp.fd)\n    with files.folder(root, facts.folder, create=True) as folder:\n        "
        "temp.publish",
        "    try:\n        os.fsync(temp.fd)\n    except OSError:\n        os.fsync(temp.fd)\n"
        "    with files.folder(root, facts.folder, create=True) as folder:\n        temp.publish",
        "test_store_kill.py::test_a_failed_fsync_is_never_tried_again",
    ),
    Guard(
        "fsync of a second name's folder",
        "store/placing.py",
        "        files.link_fd(fd, folder, facts.name)\n        os.fsync(folder)",
        "        files.link_fd(fd, folder, facts.name)",
        "test_store_kill.py::test_everything_is_synced_in_its_order",
    ),
    _never(
        "names that differ by case only",
        "store/placing.py",
        "            if not _is_spelt(folder, name):",
        "test_store_faults.py::test_a_store_on_a_file_system_without_links",
    ),
    Guard(
        "fsync of what goes to quarantine",
        "store/quarantine.py",
        "                os.fsync(temp.fd)\n                with suppress(FileExistsError):  "
        "# the same bytes, kept before",
        "                with suppress(FileExistsError):  # the same bytes, kept before",
        "test_store_kill.py::test_everything_is_synced_in_its_order",
    ),
    Guard(
        "a name in quarantine that other bytes took",
        "store/quarantine.py",
        "    if not wrong.sha256 or not files.exists(folder, name) or os.lstat(name, dir_fd=folder).st_size == "
        "wrong.size:",
        "    if True:",
        "test_store_take.py::test_a_name_in_quarantine_that_other_bytes_took_is_left_alone",
    ),
    Guard(
        "the kept manifest is synced",
        "store/admission.py",
        "        os.fsync(temp.fd)\n        try:\n            temp.publish(folder, name)",
        "        try:\n            temp.publish(folder, name)",
        "test_store_kill.py::test_everything_is_synced_in_its_order",
    ),
)

STORE = (
    Guard(
        "parts of dead processes are swept",
        "store/intake.py",
        "        room.sweep(but=frozenset(each.sha256 for each in facts))\n",
        "",
        "test_store_faults.py::test_a_dead_process_frees_the_lock_and_its_parts_are_swept",
    ),
    Guard(
        "a living process's part stays",
        "store/incoming.py",
        "            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)\n            files.remove(self.fd, name)",
        "            files.remove(self.fd, name)",
        "test_store_faults.py::test_a_dead_process_frees_the_lock_and_its_parts_are_swept",
    ),
    Guard(
        "one writer at a time",
        "store/lock.py",
        "            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)",
        "            pass",
        "test_store_layout.py::test_one_at_a_time_and_the_holder_is_named",
    ),
    Guard(
        "what has no row is proven again",
        "store/plan.py",
        "        if row is None:\n            return Step.PROVE",
        "        if row is None:\n            return Step.NOTHING",
        "test_store_take.py::test_a_file_in_place_without_a_row_is_proven_in_place",
    ),
    _never(
        "room is counted first",
        "store/plan.py",
        "    if short:",
        "test_store_take.py::test_room_is_counted_before_anything_is_copied",
    ),
    _never(
        "a store that everybody may write",
        "store/layout.py",
        "    if status.st_mode & stat.S_IWOTH:",
        "test_store_faults.py::test_a_store_that_everybody_may_write_is_refused",
    ),
    _never(
        "another user's store",
        "store/layout.py",
        "    if me not in {0, status.st_uid} and (write or status.st_uid != 0):",
        "test_store_faults.py::test_another_users_store",
    ),
    _never(
        "a network file system",
        "store/layout.py",
        "    if write and kind.network:",
        "test_faults_process.py::test_nothing_is_recorded_on_a_network_file_system",
    ),
    _never(
        "a folder with other things is no store",
        "store/layout.py",
        "        if strange:",
        "test_store_layout.py::test_a_folder_with_other_things_never_becomes_a_store",
    ),
    Guard(
        "size and digest are compared",
        "store/taking.py",
        "            right = (fetched.digest.size, fetched.digest.sha256) == (facts.size, facts.sha256)",
        "            right = fetched.digest.size == facts.size",
        "test_store_take.py::test_nothing_unproven_ever_stands_in_a_familys_folder",
    ),
    _never(
        "a copy inside the store is hashed again",
        "store/taking.py",
        "            if digest.sha256 != facts.sha256:",
        "test_store_take.py::test_a_spoiled_copy_is_never_given_a_second_name",
    ),
    Guard(
        "a file far too large is not read",
        "store/sources.py",
        "        if before.st_size > limit:",
        "        if False:",
        "test_store_take.py::test_a_far_too_large_file_is_noted_but_not_kept",
    ),
    Guard(
        "a source that changed while it was read",
        "store/sources.py",
        '        changed = way_in != "reflink" and _differs(before, os.fstat(fd))',
        "        changed = False",
        "test_store_sources.py::test_a_source_that_changes_while_it_is_read",
    ),
    Guard(
        "a shared file is never trusted",
        "store/placing.py",
        "    trustworthy = kind.stable_identity and not shared and told_apart",
        "    trustworthy = kind.stable_identity and told_apart",
        "test_store_sources.py::test_a_hard_link_is_marked_shared_and_never_trusted",
    ),
    Guard(
        "a proof holds for its own fingerprint only",
        "store/trusting.py",
        "        and proof.fingerprint == found\n",
        "",
        "test_trusting.py::test_every_change_is_found",
    ),
    Guard(
        "a file that is open for writing gives no trust",
        "store/trusting.py",
        "    return began_ns if nobody_writes(fd) else None",
        "    return began_ns",
        "test_trusting.py::test_a_file_open_for_writing_gives_no_trust",
    ),
    Guard(
        "a change in the tick of the proof",
        "store/trusting.py",
        "    return stamp.ctime_ns + margin_ns(stamp.ctime_ns) <= began_ns",
        "    return True",
        "test_trusting.py::test_the_same_tick_where_ticks_are_long",
    ),
    Guard(
        "the catalogue survives a power cut: synchronous",
        "formats/sqlite.py",
        '        connection.execute("PRAGMA synchronous = EXTRA")',
        '        connection.execute("PRAGMA synchronous = FULL")',
        "test_store_power.py::test_the_last_row_is_there_after_a_power_cut",
    ),
    _never(
        "application_id of the catalogue",
        "formats/sqlite.py",
        '        if connection.execute("PRAGMA application_id").fetchone()[0] != self.application_id:',
        "test_store_catalogue.py::test_another_programs_database_is_refused",
    ),
    _never(
        "user_version of the catalogue",
        "formats/sqlite.py",
        "        if found != FORMAT:",
        "test_store_catalogue.py::test_another_format_is_refused",
    ),
    Guard(
        "a reader writes nothing",
        "formats/sqlite.py",
        '                    connection.execute("PRAGMA query_only = ON")',
        "                    pass",
        "test_store_catalogue.py::test_a_reader_writes_nothing",
    ),
    _never(
        "a damaged catalogue is not written",
        "formats/sqlite.py",
        '            if found != "ok":',
        "test_faults_data.py::test_damage_that_only_a_check_of_the_pages_finds",
    ),
    Guard(
        "a stale journal never meets a new catalogue",
        "store/layout.py",
        '                    files.remove(keeper, CATALOGUE + "-journal")',
        "                    pass",
        "test_store_catalogue.py::test_a_stale_journal_never_meets_a_new_catalogue",
    ),
    Guard(
        "rollback",
        "store/admission.py",
        "    if manifest.sequence < highest:",
        "    if False:",
        "test_store_admission.py::test_rollback_is_refused_unless_a_why_is_given",
    ),
    Guard(
        "same sequence, other bytes",
        "store/admission.py",
        "        if each.sequence == loaded.manifest.sequence and each.sha256 != loaded.sha256:",
        "        if False:",
        "test_store_admission.py::test_same_sequence_other_bytes_is_a_contradiction",
    ),
    Guard(
        "an expired manifest",
        "store/admission.py",
        "    if manifest.expires is not None and manifest.expires < latest(known, now).date():",
        "    if False:",
        "test_store_admission.py::test_an_expired_manifest_is_refused_unless_a_why_is_given",
    ),
    Guard(
        "a clock that was set back makes nothing good",
        "store/admission.py",
        "    return max([now, *(each.accepted_at for each in known)])",
        "    return now",
        "test_cli_trust.py::test_a_clock_set_back_makes_nothing_good_again",
    ),
    _never(
        "one platform in a store",
        "store/admission.py",
        "    if other is not None:",
        "test_store_admission.py::test_another_platform_is_refused",
    ),
    Guard(
        "a clock that is behind is doubted",
        "store/admission.py",
        "    if now.date() >= newest:",
        "    if True:",
        "test_store_admission.py::test_a_clock_that_is_behind_is_doubted",
    ),
    _never(
        "the walk's folders are no links: by identity",
        "store/walk.py",
        "            if not same and describe_fd(fd).stable_identity:",
        "test_walk.py::test_a_swapped_file_is_not_opened_for_the_one_that_was_seen",
    ),
    Guard(
        "no folder that was swapped for a link is walked",
        "store/walk.py",
        "                below = os.open(name, _FOLDER | os.O_NOFOLLOW, dir_fd=fd)",
        "                below = os.open(name, _FOLDER, dir_fd=fd)",
        "test_walk.py::test_a_folder_swapped_between_two_steps_of_the_walk",
    ),
    _never(
        "another folder in the root's place",
        "store/walk.py",
        "            if not _is(os.fstat(folder), root.device, root.inode):",
        "test_walk.py::test_another_folder_in_the_roots_place_is_refused",
    ),
    _never(
        "a folder that contains itself",
        "store/walk.py",
        "        if here in above:",
        "test_walk.py::test_a_folder_bound_into_itself_ends",
    ),
    Guard(
        "the depth of a walk",
        "store/walk.py",
        "        elif len(above) > self.max_depth:",
        "        elif False:",
        "test_walk.py::test_too_many_and_too_deep_are_said",
    ),
)

LINKS = (
    Guard(
        "If-Range",
        "links/conversation.py",
        '{"Range": f"bytes={self.start}-", "If-Range": self.etag}',
        '{"Range": f"bytes={self.start}-"}',
        "test_download.py::test_goes_on_in_the_next_run",
    ),
    Guard(
        "Content-Range: the start",
        "links/answers.py",
        "    return int(match[1]) == start and",
        "    return",
        "test_answers.py::test_a_rest_that_does_not_fit",
    ),
    Guard(
        "Content-Range: the end",
        "links/answers.py",
        " and int(match[2]) == expected - 1 and total_fits",
        " and total_fits",
        "test_answers.py::test_a_rest_that_does_not_fit",
    ),
    Guard(
        "Content-Range: the total",
        "links/answers.py",
        " and total_fits and length_fits",
        " and length_fits",
        "test_answers.py::test_a_rest_that_does_not_fit",
    ),
    Guard(
        "a rest has the tag of its start",
        "links/answers.py",
        "    if match is None or strong_etag(headers) != etag:",
        "    if match is None:",
        "test_answers.py::test_a_rest_that_does_not_fit",
    ),
    Guard(
        "strong entity tags only",
        "links/answers.py",
        '    return value if len(value) <= MAX_ETAG and _STRONG_ETAG.fullmatch(value) else ""',
        "    return value",
        "test_answers.py::test_strong_etags",
    ),
    _never(
        "the stated length is the manifest's",
        "links/answers.py",
        "    if size is not None and expected is not None and size != expected:",
        "test_answers.py::test_a_length_that_contradicts_the_manifest",
    ),
    _never(
        "a packed body",
        "links/answers.py",
        '    if coding not in ("", "identity"):',
        "test_answers.py::test_packed_bodies_are_refused",
    ),
    Guard(
        "identity encoding is asked for",
        "links/http.py",
        '"Accept-Encoding": "identity", ',
        "",
        "test_download.py::test_a_whole_file",
    ),
    Guard(
        "redirects to another origin",
        "links/conversation.py",
        "        if origin in {origin_of(url), self._server.home} | self._server.allowed:",
        "        if True:",
        "test_download.py::test_redirects_elsewhere_are_not_followed",
    ),
    Guard(
        "headers belong to one origin",
        "links/conversation.py",
        "            home = origin == self._server.home",
        "            home = True",
        "test_download.py::test_secrets_and_cookies_stay_with_their_origin",
    ),
    Guard(
        "no cookie is given back",
        "links/http.py",
        "        cookies=CookieJar(policy=DefaultCookiePolicy(allowed_domains=[])),\n",
        "",
        "test_download.py::test_no_cookie_is_given_back",
    ),
    _never(
        "the deadline",
        "links/guard.py",
        "        if left <= 0:",
        "test_download.py::test_the_deadline_holds_whatever_the_rate",
    ),
    _never(
        "the least rate",
        "links/guard.py",
        "        if total_s >= self._limits.window_s and rate < self._limits.least_rate_bytes_s:",
        "test_download.py::test_a_slow_drip_of_the_body",
    ),
    _never(
        "an endless body",
        "links/download.py",
        "                if len(block) > self._expected - self._part.size:",
        "test_download.py::test_an_endless_body_stops_at_the_manifests_size",
    ),
    Guard(
        "an early end is no end",
        "links/download.py",
        "        if came < self._expected:\n            raise BrokenOff",
        "        if False:\n            raise BrokenOff",
        "test_download.py::test_an_end_without_a_length_is_no_end",
    ),
    Guard(
        "libraries log no addresses",
        "links/http.py",
        "        logging.getLogger(name).setLevel(logging.WARNING)",
        "        pass",
        "test_download.py::test_no_secret_in_any_message_record_or_log",
    ),
    Guard(
        "proxies of the environment",
        "links/http.py",
        "    if settings.trust_env and not urllib",
        "    if not urllib",
        "test_download.py::test_proxies_count_only_where_asked",
    ),
    Guard(
        "netrc of the environment",
        "links/http.py",
        '    if not settings.trust_env or "authorization"',
        '    if "authorization"',
        "test_download.py::test_netrc_counts_only_where_asked",
    ),
    Guard(
        "TLS: the chain",
        "links/http.py",
        "    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)",
        "    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)\n    context.check_hostname = False\n"
        "    context.verify_mode = ssl.CERT_NONE",
        "test_download.py::test_an_unknown_authority",
    ),
    Guard(
        "TLS: the name",
        "links/http.py",
        "    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)",
        "    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)\n    context.check_hostname = False",
        "test_download.py::test_a_certificate_for_another_name",
    ),
    _never(
        "no password in an address",
        "links/http.py",
        "    if url.userinfo:",
        "test_links_http.py::test_bad_addresses_are_refused_and_not_repeated",
    ),
    _never(
        "no headers over plain http",
        "links/http.py",
        '    if headers and origin.scheme == "http" and not _is_loopback(origin.host):',
        "test_links_http.py::test_headers_that_cannot",
    ),
    _never(
        "pages that lead round in a circle",
        "links/redfish_walk.py",
        "                if _key(url) in seen:",
        "test_redfish.py::test_pages_that_never_end",
    ),
    _never(
        "the number of resources",
        "links/redfish_walk.py",
        "            if len(self._asked) >= self._limits.max_resources:",
        "test_redfish.py::test_resources_and_bytes_are_capped",
    ),
)

LEDGER = (
    Guard(
        "a new ledger's name is durable",
        "ledger/database.py",
        "        os.fsync(folder)\n",
        "        pass\n",
        "test_faults_disk.py::test_a_new_ledger_is_synced_before_anything_is_acknowledged",
    ),
    Guard(
        "writers take turns",
        "formats/sqlite.py",
        '            connection.execute("BEGIN IMMEDIATE")\n            try:\n                yield',
        '            connection.execute("BEGIN")\n            try:\n                yield',
        "test_ledger_book.py::test_many_processes_never_lose_or_double_an_event",
    ),
    Guard(
        "all of a call or nothing of it",
        "formats/sqlite.py",
        '                if connection.in_transaction:\n                    connection.execute("ROLLBACK")\n',
        '                connection.execute("COMMIT")\n',
        "test_faults_data.py::test_an_error_after_the_events_takes_them_back",
    ),
    Guard(
        "the last events are what they were",
        "ledger/tail.py",
        "        if wrong:\n            return wrong",
        "        if False:\n            return wrong",
        "test_ledger_book.py::test_verifying_finds_what_was_done_behind_its_back",
    ),
    Guard(
        "the chain ends in the head",
        "ledger/tail.py",
        "        if running != head:",
        "        if False:",
        "test_ledger_book.py::test_verifying_finds_what_was_done_behind_its_back",
    ),
    Guard(
        "the reader of spreadsheets has a bound",
        "ledger/workbook_cells.py",
        "    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))",
        "    pass",
        "test_faults_input.py::test_the_reader_of_spreadsheets_has_its_bounds",
    ),
    Guard(
        "what has not come yet is not recorded",
        "model/moments.py",
        "    if found.at_us <= at(clock + AHEAD).at_us:",
        "    if True:",
        "test_cli_ledger.py::test_the_future_is_not_believed_today",
    ),
)

PROOF = (
    _never(
        "small-order Ed25519 keys",
        "proof/keys.py",
        "    if y in _SMALL_ORDER_Y:",
        "test_keys.py::test_a_small_order_key_is_refused_in_every_way_to_write_it",
    ),
    _never(
        "encodings that are not canonical",
        "proof/keys.py",
        "    if y >= _P:",
        "test_keys.py::test_an_encoding_that_is_not_canonical_is_refused",
    ),
    _never(
        "short RSA keys",
        "proof/keys.py",
        "        if key.key_size < MIN_RSA_BITS:",
        "test_keys.py::test_a_short_rsa_key_is_refused_with_its_size",
    ),
    _never(
        "certificates signed with SHA-1",
        "proof/keys.py",
        '    if digest is not None and digest.name in ("md5", "sha1"):',
        "test_keys.py::test_a_certificate_signed_with_sha1_or_md5_is_refused_with_the_reason",
    ),
    _never(
        "the entry's form, not the manifest's",
        "proof/verdict.py",
        "    if statement.form != entry.form:",
        "test_verdict.py::test_the_manifests_form_is_compared_and_never_chosen",
    ),
    _never(
        "a key for one purpose",
        "proof/verdict.py",
        "    if case.purpose not in entry.purposes:",
        "test_verdict.py::test_a_key_for_one_purpose_is_never_good_for_another",
    ),
    Guard(
        "a dropped key",
        "proof/verdict.py",
        "    if entry.dropped:\n        when",
        "    if False:\n        when",
        "test_verdict.py::test_dropped_key_is_told_from_a_stranger",
    ),
    _never(
        "forms that the store does not take",
        "proof/verdict.py",
        "    if entry.form not in case.accepted:",
        "test_verdict.py::test_a_form_that_the_store_does_not_take_is_a_finding_and_is_not_verified",
    ),
    _never(
        "a key's last day",
        "proof/verdict.py",
        "        if entry.valid_until is not None and day > entry.valid_until:",
        "test_verdict.py::test_expired_key_names_the_time_used",
    ),
    Guard(
        "what kind of document was signed: the namespace",
        "proof/verdict.py",
        "        namespace = entry.namespace_for(case.purpose)",
        "        namespace = sshsig.parse(signature).namespace",
        "test_verdict.py::test_a_key_for_all_purposes_still_keeps_the_kinds_apart",
    ),
    Guard(
        "a certificate's chain and dates",
        "proof/verdict.py",
        "    if entry.certificate:\n        _check_certificate(case)",
        "    pass",
        "test_verdict.py::test_a_certificate_must_be_valid_at_the_time_used_and_lead_to_its_root",
    ),
    Guard(
        "a root is an authority",
        "proof/certificates.py",
        "    if not _is_authority(certificate):",
        "    if False:",
        "test_certificates.py::test_what_can_be_no_root_is_refused_when_it_is_added",
    ),
)

TEXT = (
    Guard(
        "the escaper",
        "model/text.py",
        '    return "".join(_escape(c) if unicodedata.category(c) in _HIDDEN else c for c in text)',
        "    return text",
        "test_cli.py::test_names_and_texts_cannot_reach_the_terminal",
    ),
    Guard(
        "undecodable bytes are shown",
        "model/text.py",
        '_HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}',
        '_HIDDEN = {"Cc", "Cf", "Co", "Cn", "Zl", "Zp"}',
        "test_faults_input.py::test_no_text_moves_a_terminal",
    ),
    Guard(
        "table cells pass the escaper",
        "reports/tables.py",
        "    rows = [[visible(row[i]) for i in chosen] for row in [table.titles, *table.rows]]",
        "    rows = [[row[i] for i in chosen] for row in [table.titles, *table.rows]]",
        "test_faults_input.py::test_no_text_moves_a_terminal",
    ),
    Guard(
        "findings pass the escaper",
        "reports/findings.py",
        "    return [visible(row) for row in rows]",
        "    return rows",
        "test_faults_input.py::test_no_text_moves_a_terminal",
    ),
    Guard(
        "the picture passes the escaper",
        "reports/picture.py",
        '            lines.append("|" + visible(text)[:inner].ljust(inner) + "|")',
        '            lines.append("|" + text[:inner].ljust(inner) + "|")',
        "test_faults_input.py::test_no_text_moves_a_terminal",
    ),
    Guard(
        "CSV cells are no formulas",
        "cli/whereabouts.py",
        "[_harmless(visible(cell)) for cell in row]",
        "[visible(cell) for cell in row]",
        "test_faults_input.py::test_no_cell_is_a_formula",
    ),
    Guard(
        "no markup is read from data",
        "reports/tables.py",
        '                console.print(Text(f"    {row}", style="dim"), soft_wrap=True)',
        '                console.print(f"    {row}", style="dim", soft_wrap=True, markup=True)',
        "test_faults_input.py::test_no_markup_is_read_from_data",
    ),
    Guard(
        "TOML: depth",
        "model/toml_guard.py",
        "            if depth > MAX_DEPTH:",
        "            if False:",
        "test_toml_guard.py::test_depth_bombs_are_refused_before_parsing",
    ),
    _never(
        "TOML: size",
        "model/toml_guard.py",
        "    if len(data) > max_bytes:",
        "test_toml_guard.py::test_sizes",
    ),
    _never(
        "TOML: number of values",
        "model/toml_guard.py",
        "            if values > MAX_VALUES:",
        "test_lint_codes.py::test_refused_before_parsing",
    ),
    _never(
        "JSON: a key twice",
        "model/strict_json.py",
        "    if len(found) != len(pairs):",
        "test_faults_input.py::test_json_that_a_lenient_reader_would_take",
    ),
    _never(
        "JSON: enormous numbers",
        "model/strict_json.py",
        '    if len(digits.lstrip("-")) > _MAX_DIGITS:',
        "test_faults_input.py::test_json_that_a_lenient_reader_would_take",
    ),
    Guard(
        "JSON: NaN",
        "model/strict_json.py",
        ", parse_constant=_constant",
        "",
        "test_faults_input.py::test_json_that_a_lenient_reader_would_take",
    ),
    Guard(
        "JSON: deep nesting",
        "model/strict_json.py",
        "    except RecursionError as e:",
        "    except ZeroDivisionError as e:",
        "test_faults_input.py::test_json_that_a_lenient_reader_would_take",
    ),
    _never(
        "inventories: size",
        "model/inventory_sources.py",
        "    if len(source.data) > MAX_BYTES:",
        "test_inventory_reading.py::test_a_gigantic_file_is_refused_before_it_is_parsed",
    ),
    _never(
        "names: devices of Windows",
        "model/names.py",
        "    if stem in _DEVICES:",
        "test_names.py::test_each_sort_of_bad_name_is_told",
    ),
    Guard(
        "names: one on some file system",
        "model/names.py",
        '    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())',
        "    return name",
        "test_names.py::test_names_that_some_file_system_takes_for_one",
    ),
    Guard(
        "no memory is no bug",
        "cli/run.py",
        "    except MemoryError:",
        "    except ZeroDivisionError:",
        "test_faults_process.py::test_too_little_memory_is_told_and_no_bug",
    ),
    Guard(
        "a reader that goes away",
        "cli/run.py",
        "    except BrokenPipeError:\n        return _reader_left()",
        "    except BrokenPipeError:\n        raise",
        "test_cli.py::test_a_reader_that_goes_away_is_no_finding_and_no_bug",
    ),
)

MEDIA = (
    _never(
        "nothing mounted there",
        "media/guard.py",
        "        if not point or not _inside(point, due):",
        "test_media_write_medium.py::test_nothing_mounted_where_media_are_mounted",
    ),
    _never(
        "nothing is written into the store",
        "media/guard.py",
        "                if os.path.samestat(each.stat(), store):",
        "test_media_write_targets.py::test_a_folder_of_the_store_is_no_target",
    ),
    _never(
        "the medium's own id",
        "media/guard.py",
        "    if not set(wanted) & set(known):",
        "test_media_write_medium.py::test_the_volume_id_must_be_that_of_the_medium",
    ),
    Guard(
        "read past the page cache",
        "media/medium.py",
        "        return os.open(name, os.O_RDONLY | os.O_DIRECT | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder)",
        "        return None",
        "test_media_write_medium.py::test_a_turned_byte_is_found_though_another_program_maps_the_file",
    ),
    _never(
        "memory is no medium",
        "media/medium.py",
        "    if kind.name in _MEMORY:",
        "test_faults_media.py::test_memory_is_never_called_a_medium",
    ),
    _never(
        "a folder of something else",
        "media/volume.py",
        "        if not ours:",
        "test_media_write.py::test_a_folder_of_something_else_is_never_written_into",
    ),
    Guard(
        "what every finished volume has",
        "media/proving.py",
        "    for name in tags.EVERY:",
        "    for name in ():",
        "test_media_finished.py::test_every_file_that_is_written_must_be_there",
    ),
    Guard(
        "the index that is kept",
        "media/indexing.py",
        "        signer_of(*kept)",
        "        pass",
        "test_media_kept_index.py::test_what_is_kept_damaged_does_not_go_out",
    ),
    _never(
        "withdrawn since the plan",
        "media/in_force.py",
        "    if found and not signed:",
        "test_media_write_since.py::test_what_was_withdrawn_since_the_plan_does_not_go_out",
    ),
    Guard(
        "a remount that is certain",
        "media/remount.py",
        "    pairs = ((each.disk, now.disk), (each.mount, now.mount))",
        "    pairs = ((each.mount, now.mount),)",
        "test_media_remount.py::test_what_is_certain",
    ),
    _never(
        "what was damaged in an unfinished volume",
        "media/volume.py",
        '        if found.digest.size != size or found.digest.sha256 != due.digests["sha256"]:',
        "test_media_write.py::test_what_was_damaged_in_an_unfinished_volume_is_written_again",
    ),
    _never(
        "strange files in an unfinished volume",
        "media/volume.py",
        "        if strange:",
        "test_media_write.py::test_strange_files_in_an_unfinished_volume_are_told_and_kept",
    ),
    Guard(
        "one writer of a volume",
        "media/volume.py",
        "            fcntl.flock(self.fd, fcntl.LOCK_EX | fcntl.LOCK_NB)",
        "            pass",
        "test_media_write.py::test_two_writers_of_one_volume",
    ),
    _never(
        "an older set",
        "media/receive.py",
        "    if index.sequence < highest and not rollback "
        "and (why is not None or not _overtaken_by_notices(sets, index)):",
        "test_faults_media.py::test_an_older_set_of_the_same_manifest_is_refused",
    ),
    Guard(
        "a withdrawal outlives going back",
        "store/withdrawals.py",
        "    if not since:",
        "    if True:",
        "test_withdrawals.py::test_a_withdrawal_outlives_going_back",
    ),
    _never(
        "a bundle that the store lost",
        "media/arrival.py",
        "        if row is None or row.status not in IN:",
        "test_media_arrival.py::test_a_bundle_that_the_store_lost_has_not_arrived",
    ),
    Guard(
        "the file so far is held against the index",
        "media/joining.py",
        "            if (size, whole.hexdigest()) == (part.size, part.through):",
        "            if True:",
        "test_media_receive.py::test_an_altered_part_counts_for_nothing_until_a_whole_copy_comes",
    ),
    Guard(
        "a receipt by a clock that is ahead",
        "media/kept_receipts.py",
        "        return self.made > now + AHEAD",
        "        return False",
        "test_media_answers.py::test_what_is_dated_beyond_the_clock_is_no_answer_and_hides_none",
    ),
    Guard(
        "only what was staged is activated",
        "model/recording.py",
        'part.pending or (part.spare if part.staged else "") or ""',
        'part.pending or part.spare or ""',
        "test_kinds_of_files.py::test_only_what_was_staged_is_activated_without_a_name",
    ),
    _never(
        "a file of another kind is written over",
        "cli/writing.py",
        "    if force and kind is not None:",
        "test_kinds_of_files.py::test_nothing_of_another_kind_is_written_over",
    ),
    _never(
        "another set under the same number",
        "media/receive.py",
        "        if number == index.sequence and set_id != index.set_id:",
        "test_media_receive.py::test_another_set_under_the_same_number_is_a_contradiction",
    ),
    _never(
        "room on the receiving side",
        "media/receive.py",
        "        if lacks:",
        "test_faults_media.py::test_no_room_for_a_part_is_told_before_the_first_byte",
    ),
    Guard(
        "whose index it is",
        "media/vouch.py",
        "    if found.by is not None:",
        "    if True:",
        "test_media_receive.py::test_an_unknown_key_is_refused_with_its_fingerprint_and_the_way",
    ),
    _never(
        "bagit.txt comes last, so one without is unfinished",
        "media/bag.py",
        "    if DECLARATION not in files:",
        "test_bag.py::test_a_bag_against_the_rules_is_refused_and_says_why",
    ),
    _never(
        "a bag that wants to fetch",
        "media/bag.py",
        "    if FETCH in files:",
        "test_bag.py::test_a_bag_against_the_rules_is_refused_and_says_why",
    ),
    _never(
        "a bag with weak checksums only",
        "media/bag.py",
        "        if not algorithms[False] & STRONG:",
        "test_bag.py::test_a_bag_against_the_rules_is_refused_and_says_why",
    ),
    _never(
        "a record of a set that was altered",
        "media/set_records.py",
        "    if hashlib.sha256(body).hexdigest().encode() != checksum:",
        "test_media_sets.py::test_a_record_that_cannot_be_read_is_told_and_put_aside_by_the_words_of_the_hint",
    ),
)

NAMES = (
    Guard(
        "no version is guessed where a name holds two",
        "model/name_guesses.py",
        "    if any(not start <= other.start() < end for other in _PERHAPS.finditer(plain)) or",
        "    if",
        "test_name_guesses.py::test_nothing_is_guessed",
    ),
    Guard(
        "no version is guessed where a name holds a date",
        "model/name_guesses.py",
        "    if len(found) != 1 or _has_date(plain):",
        "    if len(found) != 1:",
        "test_name_guesses.py::test_nothing_is_guessed",
    ),
    _never(
        "a number after `for` is another thing's",
        "model/name_guesses.py",
        "    if before.isdecimal() or before in _OTHERS:",
        "test_name_guesses.py::test_nothing_is_guessed",
    ),
    Guard(
        "a tilde at the beginning of a bag's path is a home folder",
        "media/bag_text.py",
        'and not (number and problem.reason == "tilde")',
        'and problem.reason != "tilde"',
        "test_bag.py::test_a_bag_against_the_rules_is_refused_and_says_why",
    ),
    Guard(
        "lists of one blank and of two are not mixed",
        "model/checksum_list.py",
        "        if not marked and self.one_space is False:",
        "        if False:",
        "test_checksum_oracle.py::test_each_line_is_judged_and_read_as_sha256sum_does",
    ),
    Guard(
        "an error is never folded away",
        "cli/output.py",
        "    if found.level is Level.ERROR or (",
        "    if (",
        "test_found_once.py::test_an_error_is_always_told_whole",
    ),
    Guard(
        "the same bad signature is told once",
        "store/taking.py",
        "for each in told if each not in work.badly_signed)",
        "for each in told)",
        "test_vouching.py::test_three_bundles_of_one_digest_with_a_bad_signature_have_one_finding_each",
    ),
    Guard(
        "a proof of no known kind is refused",
        "cli/recorder.py",
        "        return ProofKind(text)",
        "        return ProofKind(text) if text in list(ProofKind) else ProofKind.NONE",
        "test_recording_words.py::test_a_proof_of_no_known_kind_is_refused",
    ),
)

RIGHTS = (
    Guard(
        "signals of a terminal are taken over",
        "cli/signals.py",
        "        for number in _STATUSES:",
        "        for number in (signal.SIGINT, signal.SIGTERM):",
        "test_signals.py::test_a_signal_in_the_middle_of_a_copy",
    ),
    Guard(
        "signals that the parent ignores stay ignored",
        "cli/signals.py",
        "            if signal.getsignal(number) is not signal.SIG_IGN:",
        "            if True:",
        "test_signals.py::test_a_signal_that_the_parent_ignores_stays_ignored",
    ),
    Guard(
        "rights of the group count",
        "store/rights.py",
        "_WRITABLE = stat.S_IWGRP | stat.S_IWOTH",
        "_WRITABLE = stat.S_IWOTH",
        "test_store_rights.py::test_what_others_may_write_is_refused_with_the_chmod",
    ),
    _never(
        "rights of an owner count",
        "store/rights.py",
        "        if status.st_uid not in self._own and not self._is_of_group(status.st_uid):",
        "test_store_rights.py::test_what_belongs_to_somebody_else_is_refused_with_the_chown",
    ),
    _never(
        "rights to the settings: a group cannot name itself",
        "store/rights.py",
        "            if status.st_mode & _WRITABLE or status.st_uid not in self._own:",
        "test_store_rights.py::test_a_group_cannot_name_itself",
    ),
    Guard(
        "rights of the named group only",
        "store/rights.py",
        "        if mode & stat.S_IWGRP and status.st_gid != self._group:",
        "        if mode & stat.S_IWGRP and self._group is None:",
        "test_store_rights.py::test_another_group_than_the_named_one_may_not",
    ),
    Guard(
        "rights to bundles and their folders",
        "store/rights.py",
        "self._looked_at(path) for path in (*folders, *own))",
        "self._looked_at(path) for path in ())",
        "test_store_rights.py::test_who_looks_at_bundles_refuses_those_that_others_may_write",
    ),
    Guard(
        "rights below .keeper",
        "store/rights.py",
        "*self._below((keeper,))]",
        "]",
        "test_store_rights.py::test_what_others_may_write_is_refused_with_the_chmod",
    ),
)

PLACES = (
    _never(
        "places: another file stands where one was put",
        "store/placing.py",
        "    if (here.st_dev, here.st_ino) != (status.st_dev, status.st_ino):",
        "test_store_races.py::test_another_file_in_the_place_of_the_one_just_linked",
    ),
    _never(
        "places: a look before a rename",
        "store/incoming.py",
        "            if files.exists(folder_fd, name):",
        "test_store_races.py::test_where_there_are_no_links_the_name_is_looked_for_before_the_rename",
    ),
    _never(
        "places: no thread for reading back",
        "media/proving.py",
        "            if not begun:",
        "test_store_races.py::test_no_thread_to_be_had_while_reading_back",
    ),
    Guard(
        "places: stdin over a limit",
        "cli/common.py",
        "        if len(data) > limit:\n            raise _too_large(what, limit, "
        '"standard input")\n        return data',
        "        return data[:limit]",
        "test_input_limits.py::test_more_than_the_limit_on_stdin_is_refused",
    ),
    _never(
        "places: what lies in a closed folder is not missing",
        "store/judging.py",
        "        if hidden is not None and other is None:",
        "test_closed_folders.py::test_a_check_of_the_store_misses_nothing_that_it_could_not_look_for",
    ),
    _never(
        "places: what a closed source holds is not missing",
        "store/verdicts.py",
        "    if unseen:",
        "test_closed_folders.py::test_a_take_from_a_folder_that_is_closed_in_part",
    ),
    Guard(
        "places: a catalogue without what was not looked at",
        "store/rebuild.py",
        "    except PermissionError:\n        raise",
        "    except PermissionError:\n        return",
        "test_closed_folders.py::test_a_catalogue_is_not_rebuilt_without_what_could_not_be_looked_at",
    ),
    Guard(
        "places: a folder that may not be entered is an entry",
        "store/walk.py",
        "                refused = Kind.VANISHED if gone else Kind.DIR_UNREADABLE, e.strerror",
        "                refused = Kind.VANISHED, e.strerror",
        "test_walk.py::test_a_closed_folder_is_an_entry_and_the_rest_goes_on",
    ),
    _never(
        "places: output is buffered whole",
        "cli/streams.py",
        "    if isinstance(sys.stdout, io.TextIOWrapper) and isinstance(sys.stdout.buffer, io.RawIOBase):",
        "test_store_messages.py::test_a_limit_on_the_size_of_files_under_the_output",
    ),
    _never(
        "places: a store that is being made",
        "store/layout.py",
        "            if not there and (maker := lock.maker(self.fd)):",
        "test_store_messages.py::test_a_first_take_under_way_is_told_as_such",
    ),
    _never(
        "places: a store that was moved",
        "store/lock.py",
        "            if not isinstance(error, LockedError) and _is_moved(root, where):",
        "test_store_messages.py::test_a_store_that_is_moved_away_under_a_take",
    ),
)

GUARDS: tuple[Guard, ...] = (*FILES, *STORE, *LINKS, *LEDGER, *PROOF, *TEXT, *MEDIA, *NAMES, *RIGHTS, *PLACES)
