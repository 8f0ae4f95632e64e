"""What training does on the GPU, held against the product's own arithmetic and plain geometry."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("torch", reason="training is an optional extra")
pytest.importorskip("onnx", reason="training is an optional extra")

import onnxruntime
import torch
from torch import nn

from demo_data.render import phone
from models.training import data, expert, pasted, restore, seeking, shelf
from models.training.develop import Darkroom, calm, smoothed
from models.training.export import export_align, export_part, mean_weights
from models.training.nets import Aligner, Comparer, PartNet
from models.training.pairs import Pairs
from models.training.train_align import part_errors, part_targets
from models.training.train_compare import TrainedNet
from verify.vision import learnt, locate

MODELS = Path(restore.__file__).parents[1]


def _lived_in(net: nn.Module, seed: int) -> Any:
    """Give a network statistics as if it had seen pictures."""
    generator = torch.Generator().manual_seed(seed)
    for parameter in net.parameters():  # the exporter keeps of equal ones only the first
        parameter += 0.01 * torch.randn(parameter.shape, generator=generator)
    for module in net.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.running_mean.normal_(0, 0.1, generator=generator)
            module.running_var.uniform_(0.5, 2.0, generator=generator)
    return net.eval()


@pytest.fixture(scope="module")
def floats(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of float networks: those that ship have 8-bit weights."""
    folder = tmp_path_factory.mktemp("floats")
    torch.manual_seed(7)
    with torch.no_grad(), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter says that there is a newer one
        export_part(_lived_in(PartNet(), 1), folder)
        export_align(_lived_in(Aligner(), 2), folder)
    return folder


def _light(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    small = rng.random((15, 20, 3)).astype(np.float32) ** 3 * 2
    return phone.resize(small, (320, 240), 16)


@pytest.mark.parametrize("seed", range(4))
def test_darkroom_shows_what_the_phone_shows(seed: int) -> None:
    light = _light(seed)
    look = phone.random_look(np.random.default_rng(seed), 1280)
    look = replace(look, shot_noise=0.0, read_noise=0.0, motion_px=1.5 * seed)
    expected = phone.develop(light, np.random.default_rng(0), look)
    room = Darkroom.open("cpu", 1)
    got = room.develop(room.load(light), look)
    apart = np.abs(got.astype(int) - expected)
    assert apart.max() <= 2
    assert apart.mean() < 0.05


def test_noise_of_the_darkroom_is_as_strong_as_the_phones() -> None:
    light = np.full((240, 320, 3), 0.3, np.float32)
    look = phone.Look(shot_noise=1e-3, read_noise=5e-3, vignette=0.0)
    expected = phone.develop(light, np.random.default_rng(0), look)
    room = Darkroom.open("cpu", 1)
    got = room.develop(room.load(light), look)
    assert got.std((0, 1)) == pytest.approx(expected.std((0, 1)), rel=0.05)


def test_calm_takes_a_lone_bright_pixel_and_leaves_a_line() -> None:
    light = torch.full((3, 9, 9), 0.2)
    light[:, 4, 4] = 50.0
    assert calm(light).max() < 0.3
    line = torch.full((3, 9, 9), 0.2)
    line[:, 4] = 1.0
    assert torch.allclose(calm(line), line)


def test_smoothing_quietens_noise_and_keeps_an_edge() -> None:
    noise = torch.randn((3, 60, 60), generator=torch.Generator().manual_seed(1))
    light = torch.full((3, 60, 60), 0.2)
    light[:, :, 30:] = 1.0
    noisy = light * (1 + 0.05 * noise)
    for step in (1, 2):
        noisy = smoothed(noisy, step)
    left = noisy[:, :, 4:26]
    assert left.std() < 0.4 * 0.05 * 0.2
    assert noisy[:, :, 29].mean() < 0.22
    assert noisy[:, :, 30].mean() > 0.95


def test_judge_in_training_is_the_products_judge() -> None:
    rng = np.random.default_rng(2)
    mask = rng.random((12, 12)).astype(np.float32)
    shots = {
        state: [rng.normal(size=(64, 12, 12)).astype(np.float32) for _ in range(count)]
        for state, count in (("right", 3), ("turned", 1), ("absent", 2))
    }
    asked = rng.normal(size=(64, 12, 12)).astype(np.float32) + shots["turned"][0]
    judge = learnt.fit(shots, mask)
    assert judge is not None
    expected = judge.scores(asked[None])
    unused = rng.normal(size=(64, 12, 12)).astype(np.float32)
    maps = torch.tensor(np.stack([m for same in shots.values() for m in same] + [unused]))
    outline = torch.tensor(mask)[None, None]
    seen = expert.features(maps, outline.expand(7, -1, -1, -1))
    query = expert.features(torch.tensor(asked)[None], outline)
    told = expert.scores(
        (seen @ seen.T)[None],
        query @ seen.T,
        torch.tensor([0, 0, 0, 1, 2, 2, 0]),
        torch.tensor([[1.0, 1, 1, 1, 1, 1, 0]]),
        3,
    )
    assert told[0].tolist() == pytest.approx(list(expected.values()), abs=1e-3)
    constants = (expert.RIDGE, expert.OUTSIDE, expert.BLUR)
    assert constants == (learnt.RIDGE, learnt.OUTSIDE, learnt.BLUR)


def test_judge_is_trained_toward_the_state_that_the_query_shows() -> None:
    told = torch.tensor([[0.5, -0.5, -1.0]], requires_grad=True)
    present = torch.tensor([[True, True, False]])
    loss = expert.ExpertLoss()(told, present, torch.tensor([1]))
    loss.backward()
    assert told.grad is not None
    assert told.grad[0, 1] < 0 < told.grad[0, 0]
    assert told.grad[0, 2] == 0
    nothing = expert.ExpertLoss()(told.detach(), present, torch.tensor([-1]))
    assert nothing == 0


def test_relighting_changes_nothing_at_strength_0_and_stays_in_range() -> None:
    generator = torch.Generator().manual_seed(1)
    patches = torch.rand((6, 3, 32, 32), generator=generator) * 255
    assert torch.equal(data.relight(patches, 0.0, generator), patches)
    lit = data.relight(patches, 1.0, generator)
    assert not torch.allclose(lit, patches, atol=1)
    assert lit.min() >= 0
    assert lit.max() <= 255


def test_disguise_keeps_grey_grey() -> None:
    """A turn of hue leaves the grey axis; only a negative mirrors it."""
    colours = data.disguise(200, torch.Generator().manual_seed(1), "cpu")
    grey = torch.full((200, 3, 2, 2), 80.0)
    shown = data.disguised(grey, colours)
    assert torch.allclose(shown.amax(1), shown.amin(1), atol=0.01)
    kept = torch.isclose(shown[:, 0, 0, 0], torch.tensor(80.0), atol=0.01)
    turned = torch.isclose(shown[:, 0, 0, 0], torch.tensor(175.0), atol=0.01)
    assert bool((kept | turned).all())
    assert 5 < int(turned.sum()) < 60


def test_guise_moves_patch_and_outline_alike() -> None:
    """A white square drawn where the outline is must stay where the outline is."""
    from models.training.groups import SHOTS, Cutter

    bank = _bank()
    cutter = Cutter(bank, "cpu", 4)
    guise = cutter.guise(5, (96, 96))
    guise.colours[:] = torch.eye(3, 4)
    which = torch.tensor([[0, 0, 0]]).expand(5, 3)
    still = torch.eye(3).expand(5, 3, 3)
    patch = cutter.patches(which, (96, 96), still, 0.0, guise)
    mask = cutter.outline(which, (96, 96), guise)
    lit = torch.nn.functional.avg_pool2d((patch[:, :1] > 0).float(), 8)
    assert (lit - mask).abs().mean() < 0.03
    assert (mask[0] - mask[1]).abs().mean() > 0.02
    assert guise.repeated(SHOTS).move.shape == (5 * SHOTS, 3, 3)


def test_training_cuts_what_the_product_cuts() -> None:
    """Patch pixels of a part's outline, by the training's homography and by the product's."""
    from models.training.groups import Cutter, Sampler, boxes
    from verify.vision import frame, window

    bank = _bank()
    episode = bank.episodes[0]
    quad, outline = episode.part_quad[0, 0].astype(float), episode.part_mask[0].astype(float)
    region = frame.region_of(outline)
    low, high = quad[0] + boxes(episode)[0] * (quad[2] - quad[0])
    assert low == pytest.approx(region.low, abs=1e-3)
    assert high == pytest.approx(region.high, abs=1e-3)
    shape = window.shape_with(128, 1.0)
    one = torch.zeros(1, dtype=torch.long)
    corners = Cutter(bank, "cpu", 1).square(one, one, shape)[0].numpy()
    ours = frame.apply(region.patch_from_master(shape), quad)
    assert corners == pytest.approx(ours, abs=0.02)
    sampler = Sampler(bank, [0], 1)
    assert [len(kind) for kind in sampler.kinds] == [0, 0, 1, 0, 0]


def _bank() -> data.Bank:
    """Return one machine with one picture of one part: a white shape on black."""
    from models.training.shards import Episode

    x, y = np.meshgrid(np.arange(160), np.arange(120))
    shape = (x > 60) & (x < 110) & (y > 40) & (y < 70)
    picture = np.where(shape, 255, 0).astype(np.uint8)
    corners = np.array([[60, 40], [110, 40], [110, 70], [60, 70]], np.float32) + 0.25
    outline = np.repeat(corners, 4, axis=0)[None]
    square = np.array([[55, 25], [115, 25], [115, 85], [55, 85]], np.float32)
    episode = Episode(
        jpegs=(b"",),
        body_quad=square[None],
        part_quad=square[None, None],
        state=np.zeros((1, 1), np.int16),
        visible=np.ones((1, 1), np.float32),
        part_mask=outline,
        alike=np.zeros(1, np.int16),
        tilt_deg=np.zeros(1, np.float32),
        seed=0,
        family=("plate",),
        free_turn=(False,),
        how=(("right",),),
        names=(("right",),),
        told=((True,),),
    )
    images = torch.from_numpy(np.repeat(picture[None, None], 3, axis=1))
    return data.Bank([episode], [0], [], [], (160, 120), images)


def test_each_cell_stands_beside_what_is_likest_it_in_the_shots() -> None:
    """The same by loops over cells, shots and shifts; a shot that must not be used has no part."""
    torch.manual_seed(4)
    net = Comparer()
    torch.nn.init.normal_(net.offset)
    patch, shots = torch.randn(1, 64, 4, 5), torch.randn(1, 3, 64, 4, 5)
    weight = torch.tensor([[1.0, 0.0, 1.0]])
    with torch.no_grad():
        got = net._likest(patch, shots, torch.ones(1, 1, 4, 5), weight)[0].numpy()
        own = torch.nn.functional.normalize(net.look(patch), dim=1)[0].numpy()
        looks = torch.nn.functional.normalize(net.look(shots[0]), dim=1)[[0, 2]].numpy()
    sharp, offset = float(net.sharp.detach()), net.offset.detach().numpy()[:, 0]
    padded = np.pad(looks, ((0, 0), (0, 0), (2, 2), (2, 2)))
    for y in range(4):
        for x in range(5):
            near = padded[:, :, y : y + 5, x : x + 5].transpose(0, 2, 3, 1)
            told = near @ own[:, y, x] * sharp + offset
            share = np.exp(told - told.max())
            found = (share[..., None] * near).sum((0, 1, 2)) / share.sum()
            assert got[128:160, y, x] == pytest.approx(found, abs=1e-4)
            assert got[160, y, x] == pytest.approx(told.max() / sharp, abs=1e-4)


def test_pasted_states_change_what_they_say() -> None:
    rng = np.random.default_rng(3)
    coarse = rng.integers(0, 255, (3, 3, 30, 40), dtype=np.uint8)
    photos = torch.from_numpy(coarse.repeat(8, 2).repeat(8, 3))
    drawn = pasted.batch(rng, [0, 1, 2], (320, 240), 6, 64, pasted.ASPECTS.index(1.0))
    shown = pasted.Paster(photos, "cpu", 1).present(drawn, train=False)
    changed = shown.changed.reshape(6, pasted.QUERIES, -1).numpy()
    state = drawn.state[:, : pasted.QUERIES]
    assert not changed[state == 0].any()
    assert (changed[state > 0].max(1) > 0).mean() > 0.9
    same = shown.groups.same[..., 0]
    assert (same[state == 0] == 1).all()
    assert (same[(state > 0) & ~np.isnan(same)] == 0).all()
    assert bool(shown.queries.isfinite().all())


def test_a_part_is_sought_where_its_patch_shows_it() -> None:
    """Colours of cells serve as maps: the likeness is highest where the placement says."""
    rng = np.random.default_rng(6)
    small = torch.from_numpy(rng.integers(0, 255, (4, 3, 30, 40), dtype=np.uint8)).float()
    photos = torch.nn.functional.interpolate(small, scale_factor=8.0, mode="bilinear")
    drawn = pasted.batch(rng, [0, 1, 2, 3], (320, 240), 8, 128, pasted.ASPECTS.index(1.0))
    shown = pasted.Paster(photos, "cpu", 1).present(drawn, train=False)

    def maps(patches: torch.Tensor) -> torch.Tensor:
        cells = torch.nn.functional.avg_pool2d(patches, 8)
        return cells - cells.mean((2, 3), keepdim=True)

    own = maps(shown.queries)
    rest = maps(shown.shots).reshape(8, -1, 3, 16, 16)[:, : pasted.RIGHT]
    used = torch.from_numpy(shown.groups.weight[..., : pasted.RIGHT]).flatten(0, 1)
    table = seeking.likeness(own, rest, shown.mask, used)
    right = (drawn.state[:, : pasted.QUERIES] == 0).ravel()
    truth = shown.target[:, :2].numpy()[right] * 16
    found = seeking.best_shift(table)[right]
    assert np.median(np.abs(found - truth).max(1)) < 0.75  # shots are misplaced as well
    for axis in (0, 1):
        assert np.corrcoef(found[:, axis], truth[:, axis])[0, 1] > 0.7
    assert seeking.INSIDE == locate.INSIDE


def test_wanted_shifts_are_shared_by_the_nearest_cells() -> None:
    share = seeking.wanted(torch.tensor([[1.25, -2.0], [9.0, 0.0]]))
    assert share[0, 1, 4] == pytest.approx(0.75)
    assert share[0, 1, 5] == pytest.approx(0.25)
    assert share[0].sum() == pytest.approx(1.0)
    assert share[1].sum() == 0


@pytest.mark.parametrize("quarters", range(4))
@pytest.mark.parametrize("mirrored", [False, True])
def test_patches_and_what_they_call_for_turn_alike(quarters: int, mirrored: bool) -> None:
    """A spot that lies aside of the middle is where the turned target says."""
    picture = torch.zeros(1, 1, 33, 33)
    picture[0, 0, 16 - 4, 16 + 9] = 1  # 9 to the right, 4 up
    target = torch.tensor([[9.0, -4.0, 0.3, 0.1]])
    y, x = np.argwhere(shelf.turned(picture, quarters, mirrored)[0, 0].numpy() == 1)[0]
    told = shelf.turned_target(target, quarters, mirrored)[0].numpy()
    assert told[:2] == pytest.approx([x - 16, y - 16])
    assert told[2:] == pytest.approx([0.3, -0.1 if mirrored else 0.1])


def test_a_batch_from_the_shelf_asks_the_same_of_changed_patches() -> None:
    rng = np.random.default_rng(3)
    photos = torch.from_numpy(rng.integers(0, 255, (2, 3, 120, 160), dtype=np.uint8))
    drawn = pasted.batch(rng, [0, 1], (160, 120), 3, 64, pasted.ASPECTS.index(1.0))
    shown = pasted.Paster(photos, "cpu", 1).present(drawn, train=False)
    held = shelf.Shelf(50, "cpu", 2)
    for _ in range(shelf.LEAST):
        assert not held.ready
        held.keep(shown)
    again = held.take()
    assert again.queries.shape == shown.queries.shape
    assert again.shots.shape == shown.shots.shape
    assert np.array_equal(again.groups.same, shown.groups.same, equal_nan=True)
    assert again.changed.sum() == pytest.approx(float(shown.changed.sum()))
    right = again.groups.weight[..., : pasted.RIGHT]
    assert (right.sum(2) > 0).all() or not (
        shown.groups.weight[..., : pasted.RIGHT].sum(2) > 0
    ).all()
    never = ~shown.groups.weight.any(1)
    assert not again.groups.weight.any(1)[never].any()


def test_a_pasted_state_that_nobody_can_see_is_not_asked_about() -> None:
    photos = torch.full((1, 3, 240, 320), 90, dtype=torch.uint8)
    drawn = pasted.batch(np.random.default_rng(3), [0], (320, 240), 4, 64, 2)
    shown = pasted.Paster(photos, "cpu", 1).present(drawn, train=False)
    assert np.isnan(shown.groups.same[drawn.state[:, : pasted.QUERIES] > 0]).all()
    assert not shown.groups.weight[..., pasted.RIGHT :].any()


@pytest.fixture(scope="module")
def restored(floats: Path) -> PartNet:
    net = PartNet().eval()
    restore.restore(net.describer, floats / "describe.onnx")
    restore.restore(net.comparer, floats / "compare.onnx")
    return net


def _saying(net: PartNet) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    rng = np.random.default_rng(5)
    x = rng.normal(0, 0.5, (3, 3, 96, 96)).astype(np.float32)
    mask = np.ones((1, 1, 12, 12), np.float32)
    weight = np.ones((1, 2), np.float32)
    with torch.no_grad():
        maps = net.describer(torch.from_numpy(x))
        answer = net.comparer(maps[:1], maps[None, 1:], *map(torch.from_numpy, (mask, weight)))
    return maps.numpy(), answer.numpy(), [x, mask, weight]


def test_restored_networks_say_what_the_exported_ones_say(restored: PartNet, floats: Path) -> None:
    maps, answer, (x, mask, weight) = _saying(restored)
    describe = onnxruntime.InferenceSession(floats / "describe.onnx")
    compare = onnxruntime.InferenceSession(floats / "compare.onnx")
    expected = describe.run(None, {"patch": x})[0]
    assert maps == pytest.approx(expected, abs=2e-4)
    fed = {"patch": maps[:1], "shots": maps[None, 1:], "mask": mask, "weight": weight}
    assert answer == pytest.approx(compare.run(None, fed)[0], abs=2e-4)


def test_the_restored_aligner_says_what_the_exported_networks_say(floats: Path) -> None:
    net = Aligner().eval()
    nets = {"encode": net.encoder, "match": net.matcher, "refine": net.refiner}
    for name, part in nets.items():
        restore.restore(part, floats / f"{name}.onnx")
    rng = np.random.default_rng(6)
    pictures = rng.normal(0, 0.5, (2, 3, 240, 320)).astype(np.float32)
    with torch.no_grad():
        tokens, maps = net.encoder(torch.from_numpy(pictures))
        similarity, _, _ = net.matcher(tokens[:1], tokens[1:])
        flow, fit = net.refiner(maps[:1], maps[1:])
    run = {name: onnxruntime.InferenceSession(floats / f"{name}.onnx").run for name in nets}
    said = run["encode"](None, {"picture": pictures})
    assert tokens.numpy() == pytest.approx(said[0], abs=1e-3)
    fed = {"reference": tokens[:1].numpy(), "photo": tokens[1:].numpy()}
    assert similarity.numpy() == pytest.approx(run["match"](None, fed)[0], abs=1e-2)
    expected = run["refine"](None, {"reference": maps[:1].numpy(), "photo": maps[1:].numpy()})
    assert flow.numpy() == pytest.approx(expected[0], abs=1e-2)
    assert fit.numpy() == pytest.approx(expected[1], abs=1e-2)


def test_a_part_that_stands_out_is_off_by_its_own_plane() -> None:
    """One part over the left half, seen 5 pixels right of the plane; others say nothing."""
    cells = data.pixel_grid(64, 48, 8, "cpu")[None]
    away = torch.eye(3)
    away[0, 2] = 5.0
    half = torch.tensor([[0.0, 0.0], [31.0, 0.0], [31.0, 47.0], [0.0, 47.0]])
    pairs = Pairs(
        torch.zeros(1), torch.zeros(1), torch.eye(3)[None], away[None, None],
        half[None], half[None, None], torch.ones(1, dtype=torch.bool),
    )  # fmt: skip
    no = torch.zeros(1, dtype=torch.bool)
    target, mask = part_targets(cells, torch.eye(3)[None], no, pairs)
    assert mask[0].sum() == 24
    assert target[0][mask[0]].numpy() == pytest.approx(np.tile([5.0, 0.0], (24, 1)))
    flow = torch.zeros(1, 48, 3)
    flow[0, :, 0] = 2.0
    assert part_errors(flow, target, mask).tolist() == pytest.approx([3.0])
    assert len(part_errors(flow, *part_targets(cells, torch.eye(3)[None], ~no, pairs))) == 0


@pytest.mark.parametrize("size", [(96, 96), (24, 40)])
def test_changed_light_fits_pictures_of_any_shape(size: tuple[int, int]) -> None:
    generator = torch.Generator().manual_seed(3)
    lit = data.relight(torch.full((6, 3, *size), 120.0), 1.0, generator)
    assert lit.shape == (6, 3, *size)
    assert lit.std((2, 3)).max() > 1.0


def test_settling_changes_the_statistics_and_not_what_is_said(restored: PartNet) -> None:
    before = _saying(restored)
    norm = restored.comparer.enter[1]
    restore.settle(restored, lambda: _saying(restored), 2)
    after = _saying(restored)
    assert norm.running_var.std() > 0
    assert after[0] == pytest.approx(before[0], abs=1e-3)
    assert after[1] == pytest.approx(before[1], abs=1e-3)


def test_a_file_of_another_network_is_refused(floats: Path) -> None:
    with pytest.raises(ValueError, match="folded convolutions"):
        restore.restore(PartNet().comparer, floats / "describe.onnx")


def test_a_file_with_bytes_for_weights_is_refused() -> None:
    with pytest.raises(ValueError, match="folder of the float networks"):
        restore.restore(PartNet().describer, MODELS / "describe.onnx")


def test_of_several_files_the_mean_is_exported(tmp_path: Path) -> None:
    files = [tmp_path / "a.pt", tmp_path / "b.pt"]
    for file, value in zip(files, (1.0, 4.0), strict=True):
        torch.save({"weight": torch.full((2,), value), "steps": torch.tensor(int(value))}, file)
    mean = mean_weights(files)
    assert mean["weight"].tolist() == [2.5, 2.5]
    assert mean["steps"].dtype is torch.int64


def test_a_fixed_describer_stays_as_it_is_while_the_comparer_trains() -> None:
    net = TrainedNet()
    net.fix()
    net.train()
    assert net.comparer.training
    assert not net.describer.training
    assert not any(p.requires_grad for p in net.describer.parameters())
    before = {k: v.clone() for k, v in net.describer.state_dict().items()}
    with torch.no_grad():
        net.describer(torch.randn(2, 3, 64, 64))
    assert all(torch.equal(v, before[k]) for k, v in net.describer.state_dict().items())
