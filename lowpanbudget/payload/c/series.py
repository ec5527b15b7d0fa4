"""Series of samples in C: the first in full, the others as differences, each in steps from the least sample."""

from typing import Any

from lowpanbudget.payload.c.counted import CountedArray
from lowpanbudget.payload.c.extent import Extent
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import Known, Scope, SourceUnit
from lowpanbudget.payload.c.scaled import Scaled
from lowpanbudget.payload.c.text import SHORT, Lines
from lowpanbudget.payload.codec.samples import Sampled, VariableDeltas, deltas_of


class SampleArray(CountedArray):
    """A series; what was sent last is kept as the steps from the least sample."""

    def __init__(self, maker: SourceUnit, spot: Spot, field: Sampled) -> None:
        super().__init__(maker, spot, field)
        self.field = field
        self.sample = Scaled(maker, spot, field.number())
        self.remark = self.sample.remark
        width = self.sample.bits
        self.deltas = deltas_of(field, maker.order, width, self.sample.span)
        self.bits = self.width + width + (field.most - 1) * self.deltas.bounds[1]

    @property
    def last(self) -> str:
        """Return the variable for the sample before."""
        return "last" + self.sample.word.suffix

    @property
    def escape(self) -> str:
        """Return the fixed difference that leads a whole sample."""
        return SHORT.constant(1 << (self.deltas.bits - 1))

    def declared(self, name: str) -> str:
        """Return the declaration of the samples."""
        return self.sample.declared(f"{name}[{self.limit}]")

    @property
    def extent(self) -> Extent:
        """Return the octets of all samples."""
        return self.sample.extent.times(self.most)

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the samples as an initialiser."""
        items = ", ".join(self.sample.initialiser(item, known) for item in value)
        return f"{{{items}}}" if items else ""

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes count, first sample and differences."""
        sample, wide = self.sample, self.sample.word.suffix
        self.check_count(out, at)
        self.put_count(out, at)
        out.add(f"{out.use(self.last)} = 0;")
        with out.loop(self.number_at(at)) as index:
            sample.load(out, f"{at}[{index}]")
            now = sample.word.variable
            if sample.low:
                now += f" - {sample.lowest}"
            with out.block(f"if ({index} == 0)"):
                sample.send(out)
            if self.field.deltas == "variable":
                call = self.maker.call("put_variable" + wide)
                with out.otherwise():
                    out.add(f"{call}(&out, {now}, {self.last}, {self.deltas.bits});")
            else:
                escape = "true" if self.field.escape else "false"
                call = self.maker.call("put_fixed" + wide)
                test = f"!{call}(&out, {now}, {self.last}, {self.deltas.bits}, {escape})"
                with out.otherwise(f"else if ({test})"):
                    self._jump(out)
            out.add(f"{self.last} = {now};")

    def _jump(self, out: Lines) -> None:
        if not self.field.escape:
            out.add(f"return {self.maker.error(self.spot)};")
            return
        self.put(out, self.deltas.bits, self.escape)
        self.sample.send(out)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads count, first sample and differences."""
        sample, wide = self.sample, self.sample.word.suffix
        self.take_count(out, at)
        out.add(f"{out.use(self.last)} = 0;")
        low, span = sample.lowest, sample.word.constant(sample.span)
        with out.loop(self.number_at(at)) as index:
            whole = f"{index} == 0"
            if not isinstance(self.deltas, VariableDeltas):
                with out.block(f"if ({index} != 0)"):
                    self.take(out, self.deltas.bits, "delta")
                if self.field.escape:
                    whole += f" || delta == {self.escape}"
            with out.block(f"if ({whole})"):
                sample.receive(out)
                out.add(f"{self.last} = {sample.word.variable} - {low};")
            error = self.maker.error(self.spot)
            with out.otherwise():
                if isinstance(self.deltas, VariableDeltas):
                    call = self.maker.call("take_variable" + wide)
                    sizes = f"{self.deltas.bits}, {self.deltas.groups}"
                    test = f"!{call}(&in, &{self.last}, {span}, {sizes})"
                    out.fail(test, f"in.ended ? {self.maker.short} : {error}")
                else:
                    call = self.maker.call("add_fixed" + wide)
                    out.fail(f"!{call}(&{self.last}, {span}, delta, {self.deltas.bits})", error)
            out.add(f"{out.use(sample.word.variable)} = {self.last} + {low};")
            sample.store(out, f"{at}[{index}]")
