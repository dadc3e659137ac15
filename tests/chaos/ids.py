"""The chaos list: each fault by its id, what it is, and the tests that guard what must happen; or why there is none."""

from typing import NamedTuple

_FAULTS = "night/test_fault_phases.py::test_a_fault_ends_a_night_as_the_table_says"
_KILLED = "process/test_killed.py::test_killed_at_five_points_of_a_scan"


class Item(NamedTuple):
    """One line of the list."""

    id: str
    fault: str
    tests: tuple[str, ...] = ()
    """Below tests/, as file::function."""
    left_out: str = ""
    """Why nothing guards it here."""


def _m(number: int, fault: str, *names: str) -> Item:
    return Item(f"M{number}", fault, tuple(f"chaos/test_modbus.py::test_m{number}_{name}" for name in names))


def _u(number: int, fault: str, *names: str) -> Item:
    return Item(f"U{number}", fault, tuple(f"chaos/test_people.py::test_u{number}_{name}" for name in names))


CHAOS = (
    _m(1, "dropped before and after send, in mid-frame", "dropped_before_send_after_send_and_in_mid_frame"),
    _m(2, "delayed by 0.5, 1 and 2 time-outs", "delayed_by_half_one_and_two_time_outs"),
    _m(3, "a late reply", "a_late_reply_lands_during_the_next_request"),
    _m(4, "garbage", "garbage_bytes"),
    _m(5, "wrong unit", "wrong_unit"),
    _m(6, "wrong transaction", "wrong_transaction_id"),
    _m(7, "wrong function", "wrong_function_code"),
    _m(8, "short and long register list", "short_and_long_register_list"),
    _m(9, "echo of another value or address", "write_echo_with_other_value_and_other_address"),
    _m(10, "read reply to a write", "read_reply_to_a_write"),
    _m(11, "every exception", "every_exception"),
    _m(12, "byte drip", "byte_drip"),
    _m(13, "reset, half-open, closed", "reset_half_open_and_closed"),
    _m(14, "accepts and stays silent", "accepted_but_silent"),
    _m(15, "one seat, two masters", "a_module_with_one_seat_and_a_second_master"),
    _m(16, "stuck values", "the_flow_signal_stands_still", "the_modules_own_clock_stands_still"),
    _m(17, "sentinels", "sentinels", "sentinels_of_a_counter"),
    _m(18, "swapped order", "swapped"),
    _m(19, "totaliser wraps, goes back", "a_totaliser_that_rolls_over_in_each_phase", "a_totaliser_that_goes_back"),
    _m(20, "coil that does not move", "a_coil_that_takes_a_write_and_does_not_move"),
    _m(21, "module reboots", "a_module_that_reboots_and_has_lost_its_time_out"),
    _m(22, "another device answers", "another_device_answers"),
    _m(23, "5 % loss (a proxy; no netem)", "a_slow_network_that_drops_five_in_a_hundred"),
    Item("P1", "SIGKILL in every state", (_KILLED, "process/test_killed.py::test_killed_as_the_write_goes_out")),
    Item("P2", "SIGTERM", ("process/test_in_order.py::test_sigterm_while_injecting_stops_in_order",)),
    Item("P3", "SIGTERM, then SIGKILL", ("process/test_starved.py::test_p3_sigkill_while_sigterm_is_being_obeyed",)),
    Item("P4", "SIGSTOP 30 s", ("process/test_starved.py::test_p4_a_daemon_that_is_stopped_and_goes_on",)),
    Item("P5", "no memory", ("process/test_starved.py::test_p5_p8_no_more_memory_or_files",)),
    Item("P6", "exception in scan", ("chaos/test_program_fault.py::test_p6_a_scan_that_raises",)),
    Item("P7", "event loop blocked", ("process/test_starved.py::test_p7_a_loop_that_is_blocked_for_a_moment",)),
    Item("P8", "no file descriptors", ("process/test_starved.py::test_p5_p8_no_more_memory_or_files",)),
    Item("P9", "crash loop 50 x", ("process/test_starved.py::test_p9_falls_fifty_times",)),
    Item("P10", "two instances", ("process/test_in_order.py::test_a_second_daemon_is_refused_and_touches_nothing",)),
    Item("P11", "the API dies, control lives", ("process/test_serve.py::test_killing_the_api_costs_no_scan",)),
    Item(
        "P12",
        "control dies, and whoever asks is told",
        ("process/test_commands.py::test_every_command_against_run_all",),
    ),
    Item(
        "P13",
        "upgrade during INJECT refused",
        (
            "process/test_install.py::test_an_upgrade_during_inject_is_refused",
            "cli/test_install.py::test_not_while_a_shift_is_under_way",
        ),
    ),
    Item("D1", "disk full", ("chaos/test_storage.py::test_d1_d9_a_full_disk_in_each_phase",)),
    Item("D2", "read-only", ("process/test_bad_record.py::test_a_ledger_that_cannot_be_written_gives_water_only",)),
    Item(
        "D3",
        "flipped bit, truncated, empty",
        (
            "daemon/ledger/test_chain.py::test_one_altered_byte_of_the_file_is_found",
            "daemon/ledger/test_opening.py::test_a_damaged_ledger_is_refused_with_a_way_out",
            "daemon/ledger/test_opening.py::test_a_torn_birth_is_begun_again",
            "process/test_bad_record.py::test_a_damaged_ledger_is_left_alone",
        ),
    ),
    Item("D4", "slow fsync", ("chaos/test_storage.py::test_d4_a_disk_that_takes_a_second_for_each_commit",)),
    Item(
        "D5",
        "EIO once, always",
        (
            "chaos/test_storage.py::test_d5_one_commit_fails_and_costs_nothing",
            "chaos/test_storage.py::test_d5_every_commit_fails_in_each_phase",
        ),
    ),
    Item("D6", "permission lost", ("process/test_bad_record.py::test_a_folder_nobody_may_write",)),
    Item("D7", "locked by another", ("chaos/test_storage.py::test_d7_somebody_holds_the_record_while_it_injects",)),
    Item(
        "D8",
        "backup during write",
        ("chaos/test_storage.py::test_d8_a_backup_that_is_made_while_it_injects_can_be_read",),
    ),
    Item("D9", "no inode left", ("chaos/test_storage.py::test_d1_d9_a_full_disk_in_each_phase",)),
    Item("D10", "record of a newer release", ("process/test_bad_record.py::test_a_newer_ledger_is_left_alone",)),
    Item(
        "D11",
        "hash chain broken",
        (
            "daemon/ledger/test_chain.py::test_altered_seals_are_found",
            "daemon/ledger/test_writer.py::test_another_writer_is_noticed",
        ),
    ),
    Item("T1", "clock jumps", ("chaos/test_time.py::test_t1_the_clock_jumps_in_each_phase",)),
    Item("T2", "clocks change", ("daemon/runtime/test_jobs.py::test_one_start_a_night_when_the_clocks_change",)),
    Item(
        "T3",
        "boot in 1970",
        (
            "daemon/runtime/test_jobs.py::test_nothing_starts_while_the_clock_is_not_trusted",
            "daemon/test_clock.py::test_boot_in_1970_is_not_trusted",
            "daemon/ledger/test_writer.py::test_a_birth_in_1970_is_kept_as_untrusted",
        ),
    ),
    Item("T4", "zone changed at run time", ("chaos/test_time.py::test_t4_the_zone_is_changed_in_a_run",)),
    Item(
        "T5",
        "leap second, 2038",
        ("chaos/test_time.py::test_t5_a_run_over_the_end_of_32_bit_time_and_a_leap_second",),
    ),
    Item("T6", "suspended", ("chaos/test_time.py::test_t6_the_computer_is_suspended_in_each_phase",)),
    Item(
        "T7",
        "daily cap over midnight and a jump",
        (
            "daemon/agronomy/test_caps.py::test_a_daily_cap_rolls_over_24_hours",
            "chaos/test_time.py::test_t7_a_jump_over_midnight_between_runs_gives_nothing_twice",
        ),
    ),
    Item("H1", "pump trips, does not start, runs dry", (_FAULTS,)),
    Item("H2", "burst", (_FAULTS,)),
    Item("H3", "blocked filter", (_FAULTS,)),
    Item("H4", "valve stuck open", (_FAULTS,)),
    Item("H5", "valve stuck shut", (_FAULTS,)),
    Item("H6", "slow valve", (_FAULTS,)),
    Item("H7", "airlock", (_FAULTS,)),
    Item("H8", "over-dose", (_FAULTS, "daemon/control/test_matrix.py::test_a_row_sees_its_fact")),
    Item("H9", "siphon", (_FAULTS,)),
    Item(
        "H10",
        "probe drifts, sticks; broken wire",
        (_FAULTS,),
        "fouling and a stale calibration come with the independent estimates",
    ),
    Item("H11", "tank empty, level lies", (_FAULTS,)),
    Item("H12", "backflow, supply pressure lost", (_FAULTS,)),
    Item("H13", "water hammer", ("chaos/test_plant.py::test_h13_no_valve_is_slammed_on_a_moving_column",)),
    Item("H14", "the module alone reboots", (_FAULTS, "night/test_faults.py::test_a_fault_while_injecting")),
    Item("H15", "two sensors disagree", ("chaos/test_plant.py::test_h15_two_witnesses_of_the_flow_disagree",)),
    Item("H16", "chattering level", ("chaos/test_plant.py::test_h16_a_level_that_chatters",)),
    _u(1, "override in each phase", "hand_in_each_phase", "an_output_that_is_forced_off_in_each_phase"),
    _u(2, "a lease expires", "a_lease_expires_in_each_phase"),
    _u(3, "emergency stop bounced", "the_emergency_stop_pressed_released_and_bounced"),
    _u(4, "reset from afar", "a_reset_from_afar_is_refused_and_recorded"),
    _u(5, "reset held down", "a_reset_button_that_is_held_down"),
    _u(6, "start while a flush is owed", "a_start_while_a_flush_is_owed"),
    _u(7, "two operators", "two_operators_at_once"),
    _u(8, "double click", "a_double_click_and_a_repeat_with_the_same_id"),
    _u(9, "a decision changed under a run", "a_decision_that_is_changed_under_a_run"),
    Item(
        "U10",
        "wrong unit in a recipe",
        ("cli/test_bad_input.py::test_decisions_that_cannot_be_taken",),
    ),
    _u(11, "acknowledged unread", "acknowledging_without_reading_changes_nothing"),
    _u(12, "out of service, forgotten", "out_of_service_that_is_forgotten"),
    Item(
        "X1",
        "link drops during crash recovery",
        ("chaos/test_compound.py::test_a_link_drops_while_a_crash_is_recovered_from",),
    ),
    Item(
        "X2",
        "disk full during a latched trip",
        ("chaos/test_compound.py::test_the_disk_is_full_while_an_emergency_stop_is_latched",),
    ),
    Item(
        "X3", "clock jumps during a restart", ("chaos/test_compound.py::test_the_clock_jumps_while_the_daemon_is_down",)
    ),
    Item(
        "X4",
        "module reboots during an override",
        ("chaos/test_compound.py::test_the_module_reboots_while_a_valve_is_forced_open",),
    ),
    Item("X5", "fault during a migration", ("daemon/ledger/test_opening.py::test_a_failed_upgrade_changes_nothing",)),
    Item(
        "X6",
        "selector to Hand while an old debt is paid",
        ("chaos/test_compound.py::test_a_hand_takes_the_plant_while_a_start_pays_what_a_crash_left",),
    ),
)
