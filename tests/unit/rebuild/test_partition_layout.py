from __future__ import annotations

from itertools import pairwise

import msgspec
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from holdstill.errors import LayoutError
from holdstill.model.layout import Disk, Partition, TableLabel
from holdstill.model.sizes import MIB
from holdstill.rebuild import partition_layout
from holdstill.rebuild.partition_layout import DoesNotFitError

SECTOR = 512
ALIGNED = 8192  # sectors of 4 MiB: common practice on cards


def disk(*partitions: Partition, size: int, label: TableLabel = TableLabel.DOS) -> Disk:
    is_gpt = label is TableLabel.GPT
    return Disk(
        size=size,
        label=label,
        id="0x9a3c5d2e",
        first_lba=2048 if is_gpt else 0,
        last_lba=size // SECTOR - 34 if is_gpt else 0,
        table_length=128 if is_gpt else 0,
        partitions=partitions,
    )


def part(number: int, start: int, size: int, kind: str = "83") -> Partition:
    return Partition(number=number, start=start, size=size, type=kind)


BOOT = part(1, 8192, 524_288, "c")
ROOT = part(2, 532_480, 1_000_000)
CARD = disk(BOOT, ROOT, size=1_600_000 * SECTOR)


def test_on_a_target_of_the_same_size_nothing_changes() -> None:
    fitted = partition_layout.fitted(CARD, size=CARD.size, elastic=2, least={2: 100 * MIB})

    assert fitted.partitions == CARD.partitions


def test_room_in_a_container_that_reaches_to_the_end_is_no_reason_for_a_change() -> None:
    container = part(2, 532_480, 1_600_000 - 532_480, "5")
    card = disk(BOOT, container, part(5, 534_528, 500_000), size=1_600_000 * SECTOR)

    fitted = partition_layout.fitted(card, size=card.size, elastic=5, least={5: 100 * MIB})

    assert fitted.partitions == card.partitions


def test_the_last_partition_grows_to_a_whole_mebibyte() -> None:
    size = 4_000_001 * SECTOR

    fitted = partition_layout.fitted(CARD, size=size, elastic=2, least={})

    assert fitted.partition(1) == BOOT
    assert fitted.partition(2).start == ROOT.start
    assert fitted.partition(2).end == 4_000_001 // 2048 * 2048


def test_room_is_left_free_when_asked() -> None:
    fitted = partition_layout.fitted(
        CARD, size=2_000_000 * SECTOR, elastic=2, least={}, leave_free=200 * MIB
    )

    assert fitted.partition(2).end * SECTOR <= 2_000_000 * SECTOR - 200 * MIB


def test_a_target_that_is_hardly_larger_does_not_shrink_anything() -> None:
    odd = disk(BOOT, part(2, 532_480, 1_000_001), size=1_532_481 * SECTOR)

    fitted = partition_layout.fitted(odd, size=odd.size + 3 * SECTOR, elastic=2, least={})

    assert fitted.partition(2) == odd.partition(2)


# model/layout.py: GPT's usable range, else 0. Only a target of another size has another range.
@pytest.mark.parametrize("grown", [0, 4_000 * SECTOR])
def test_a_table_without_a_usable_range_gets_none(grown: int) -> None:
    fitted = partition_layout.fitted(CARD, size=CARD.size + grown, elastic=2, least={})

    assert (fitted.first_lba, fitted.last_lba) == (0, 0)


def test_a_usable_range_that_ends_early_stays_on_a_target_of_the_same_size() -> None:
    card = disk(BOOT, ROOT, size=1_600_000 * SECTOR, label=TableLabel.GPT)
    early = msgspec.structs.replace(card, last_lba=card.last_lba - 100)

    assert partition_layout.fitted(early, size=card.size, elastic=2, least={}).last_lba == (
        card.last_lba - 100
    )


# UEFI Specification 2.10, 5.3.2: the backup array and header are the last 33 sectors.
def test_the_end_of_a_gpt_is_left_to_its_backup() -> None:
    card = disk(BOOT, ROOT, size=1_600_000 * SECTOR, label=TableLabel.GPT)
    sectors = 2_000_000

    fitted = partition_layout.fitted(card, size=sectors * SECTOR, elastic=2, least={})

    assert fitted.last_lba == sectors - 34
    assert fitted.partition(2).end == (sectors - 33) // 2048 * 2048


def test_what_lies_behind_moves_by_multiples_of_four_mebibytes() -> None:
    data = part(3, 1_532_480, 40_960)
    card = disk(BOOT, ROOT, data, size=1_600_000 * SECTOR)

    fitted = partition_layout.fitted(card, size=2_345_678 * SECTOR, elastic=2, least={})

    moved = fitted.partition(3).start - data.start
    assert fitted.partition(3).size == data.size
    assert moved > 0
    assert moved % ALIGNED == 0
    assert fitted.partition(2).end == fitted.partition(3).start
    assert 2_345_678 - fitted.partition(3).end < ALIGNED


def test_a_partition_shrinks_as_far_as_its_content_allows() -> None:
    least = 100 * MIB
    lowest = partition_layout.smallest(CARD, elastic=2, least={2: least})

    fitted = partition_layout.fitted(CARD, size=lowest, elastic=2, least={2: least})

    assert least <= fitted.partition(2).size * SECTOR < least + MIB
    assert fitted.partition(2).start == ROOT.start


def test_a_target_that_is_too_small_is_refused_with_numbers() -> None:
    least = 100 * MIB
    lowest = partition_layout.smallest(CARD, elastic=2, least={2: least})

    with pytest.raises(DoesNotFitError, match=f"{MIB} bytes.*are missing") as refusal:
        partition_layout.fitted(CARD, size=lowest - MIB, elastic=2, least={2: least})

    assert "partition 2 cannot shrink so far" in str(refusal.value)
    assert refusal.value.shortfall == MIB
    assert refusal.value.smallest == lowest
    assert str(lowest) in refusal.value.hint


def test_without_a_partition_that_can_shrink_the_tail_must_fit() -> None:
    fitted = partition_layout.fitted(CARD, size=1_533_952 * SECTOR, elastic=None, least={})
    assert fitted.partitions == CARD.partitions

    with pytest.raises(DoesNotFitError, match=r"and no partition can shrink\b"):
        partition_layout.fitted(CARD, size=1_530_000 * SECTOR, elastic=None, least={})


def test_a_partition_that_keeps_its_size_must_hold_what_it_held() -> None:
    with pytest.raises(DoesNotFitError, match="partition 1 holds") as refusal:
        partition_layout.fitted(
            CARD, size=CARD.size, elastic=2, least={1: BOOT.size * SECTOR + 4096}
        )

    assert refusal.value.shortfall == 4096


EXTENDED = part(4, 532_480, 1_067_520, "f")
LOGICAL = (part(5, 534_528, 500_000), part(6, 1_036_288, 563_712))
LOGICALS = disk(BOOT, EXTENDED, *LOGICAL, size=1_600_000 * SECTOR)


def test_a_container_grows_with_its_last_logical_partition() -> None:
    fitted = partition_layout.fitted(LOGICALS, size=2_000_896 * SECTOR, elastic=6, least={})

    assert fitted.partition(6).end == fitted.partition(4).end == 2_000_896
    assert fitted.partition(5) == LOGICALS.partition(5)
    assert fitted.partition(4).start == EXTENDED.start


def test_a_container_shrinks_with_its_last_logical_partition() -> None:
    fitted = partition_layout.fitted(LOGICALS, size=1_200_128 * SECTOR, elastic=6, least={6: MIB})

    assert fitted.partition(6).end == fitted.partition(4).end == 1_200_128


def test_a_container_grows_with_a_logical_partition_in_its_middle() -> None:
    fitted = partition_layout.fitted(LOGICALS, size=2_000_000 * SECTOR, elastic=5, least={})

    change = fitted.partition(5).size - LOGICAL[0].size
    assert change > 0
    assert change % ALIGNED == 0
    assert fitted.partition(6).start == LOGICAL[1].start + change
    assert fitted.partition(4).end == EXTENDED.end + change


def test_a_container_moves_as_a_whole_behind_what_grows() -> None:
    fitted = partition_layout.fitted(LOGICALS, size=2_000_000 * SECTOR, elastic=1, least={})

    change = fitted.partition(1).size - BOOT.size
    assert [fitted.partition(n).start for n in (4, 5, 6)] == [
        LOGICALS.partition(n).start + change for n in (4, 5, 6)
    ]


# UEFI Specification 2.10, table 5-2: a partition's start and size have 32 bits.
def test_an_mbr_ends_where_its_numbers_end() -> None:
    fitted = partition_layout.fitted(CARD, size=3 << 40, elastic=2, least={})

    assert fitted.partition(2).end == 2**32


def test_a_table_that_names_no_partition_needs_no_room() -> None:
    assert partition_layout.smallest(disk(size=MIB), elastic=None, least={}) == 0


def test_a_disk_without_a_table_is_one_partition_that_grows() -> None:
    whole = disk(part(1, 0, 200_000, ""), size=200_000 * SECTOR, label=TableLabel.NONE)

    fitted = partition_layout.fitted(whole, size=409_600 * SECTOR, elastic=1, least={})

    assert fitted.partition(1) == part(1, 0, 409_600, "")


@pytest.mark.parametrize(
    "partitions",
    [
        (BOOT, part(2, 500_000, 1_000_000)),
        (BOOT, part(2, 532_480, 2_000_000)),
        (BOOT, part(2, 532_480, 0)),
    ],
)
def test_a_layout_that_makes_no_sense_is_refused(partitions: tuple[Partition, ...]) -> None:
    card = disk(*partitions, size=1_600_000 * SECTOR)

    with pytest.raises(LayoutError):
        partition_layout.fitted(card, size=card.size, elastic=2, least={})


@st.composite
def cards(draw: st.DrawFn) -> Disk:
    """Draw a card with one to five partitions, in any order of numbers, MBR with logicals too."""
    label = draw(st.sampled_from([TableLabel.DOS, TableLabel.GPT]))
    count = draw(st.integers(1, 5))
    position = draw(st.integers(2048, 20_000))
    spans = []
    for _ in range(count):
        size = draw(st.integers(2048, 3_000_000))
        spans.append((position, size))
        position += size + draw(st.integers(0, 50_000))
    first_logical = draw(st.integers(0, count)) if label is TableLabel.DOS else count
    assume(first_logical <= 3)
    numbers = draw(st.permutations(range(1, first_logical + 1)))
    plain = [
        part(number, *span) for number, span in zip(numbers, spans[:first_logical], strict=True)
    ]
    logical = []
    if first_logical < count:
        spans = [(start + 2048, size - 2047) for start, size in spans[first_logical:]]
        logical = [part(5 + index, *span) for index, span in enumerate(spans)]
        start, end = logical[0].start - 2048, logical[-1].end + draw(st.integers(0, 9000))
        plain.append(part(4, start, end - start, draw(st.sampled_from(["5", "f", "F", "85"]))))
        position = max(position, end)
    size = (position + 34 + draw(st.integers(0, 100_000))) * SECTOR
    return disk(*plain, *logical, size=size, label=label)


@given(card=cards(), data=st.data())
def test_a_fitted_layout_is_always_sound(card: Disk, data: st.DataObject) -> None:
    elastic = data.draw(st.sampled_from([p.number for p in card.partitions if p.number != 4]))
    before = card.partition(elastic)
    least = data.draw(st.integers(SECTOR, before.size * SECTOR))
    leave_free = data.draw(st.sampled_from([0, 1, 100 * MIB]))
    lowest = partition_layout.smallest(
        card, elastic=elastic, least={elastic: least}, leave_free=leave_free
    )
    size = lowest + data.draw(st.integers(0, 4 << 30)) // SECTOR * SECTOR

    fitted = partition_layout.fitted(
        card, size=size, elastic=elastic, least={elastic: least}, leave_free=leave_free
    )
    again = partition_layout.fitted(
        card, size=size, elastic=elastic, least={elastic: least}, leave_free=leave_free
    )

    assert fitted == again
    assert fitted.partition(elastic).size * SECTOR >= least
    _assert_sound(fitted, trailer=33 if card.label is TableLabel.GPT else 0)
    limit = size - leave_free - (33 if card.label is TableLabel.GPT else 0) * SECTOR
    assert all(p.end * SECTOR <= limit for p in fitted.partitions)
    for partition in card.partitions:
        after = fitted.partition(partition.number)
        if partition.start <= before.start:
            assert after.start == partition.start
        else:
            assert (after.start - partition.start) % ALIGNED == 0
        if partition.number not in {elastic, 4}:
            assert after == msgspec.structs.replace(partition, start=after.start)


@given(card=cards(), data=st.data())
def test_one_step_below_the_smallest_target_is_refused(card: Disk, data: st.DataObject) -> None:
    elastic = data.draw(st.sampled_from([p.number for p in card.partitions if p.number != 4]))
    least = data.draw(st.integers(SECTOR, card.partition(elastic).size * SECTOR))
    lowest = partition_layout.smallest(card, elastic=elastic, least={elastic: least})

    with pytest.raises(DoesNotFitError) as refusal:
        partition_layout.fitted(
            card, size=lowest - SECTOR, elastic=elastic, least={elastic: least}
        )

    assert refusal.value.smallest == lowest
    assert refusal.value.shortfall == SECTOR


def _assert_sound(card: Disk, *, trailer: int) -> None:
    containers = [p for p in card.partitions if p.type.lower() in {"5", "f", "85"}]
    plain = sorted((p for p in card.partitions if p not in containers), key=lambda p: p.start)
    assert all(first.end <= second.start for first, second in pairwise(plain))
    assert all(p.size > 0 and p.end <= card.size // SECTOR - trailer for p in card.partitions)
    for container in containers:
        logical = [p for p in plain if p.number >= 5]
        others = [p for p in plain if p.number < 5]
        assert all(container.start < p.start and p.end <= container.end for p in logical)
        assert all(p.end <= container.start or p.start >= container.end for p in others)


def test_the_smallest_target_is_never_larger_than_a_card_that_is_no_whole_mebibyte() -> None:
    size = 1_600_001 * SECTOR
    card = disk(BOOT, part(2, 532_480, 1_067_521), size=size)
    assert size % MIB

    least = {2: 1_067_521 * SECTOR}

    assert partition_layout.smallest(card, elastic=2, least=least) == size
    assert partition_layout.fitted(card, size=size, elastic=2, least=least).size == size


def test_the_smallest_target_is_whole_mebibytes_also_with_a_table_at_its_end() -> None:
    card = disk(BOOT, ROOT, size=1_600_000 * SECTOR, label=TableLabel.GPT)

    assert partition_layout.smallest(card, elastic=2, least={2: 100 * MIB}) % MIB == 0


def test_a_file_system_that_outgrew_its_partition_needs_a_larger_target_than_its_card() -> None:
    full = disk(BOOT, ROOT, size=1_532_480 * SECTOR)

    needed = partition_layout.smallest(full, elastic=2, least={2: ROOT.size * SECTOR + 1})

    assert needed > full.size


# UEFI Specification 2.10, 5.3.2: as many entries as the header says, of 128 bytes, and the header.
@pytest.mark.parametrize(("entries", "sectors"), [(128, 33), (256, 65), (1, 2), (0, 33)])
def test_the_backup_of_a_longer_gpt_is_left_room(entries: int, sectors: int) -> None:
    card = msgspec.structs.replace(
        disk(BOOT, ROOT, size=1_600_000 * SECTOR, label=TableLabel.GPT), table_length=entries
    )

    fitted = partition_layout.fitted(card, size=2_000_000 * SECTOR, elastic=2, least={})

    assert fitted.last_lba == 2_000_000 - sectors - 1
    assert fitted.partition(2).end <= 2_000_000 - sectors
