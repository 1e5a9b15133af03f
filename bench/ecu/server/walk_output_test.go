package server

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"sawhorse/bench/ecu/ecutest"
	"sawhorse/bench/ecu/spec"
	"sawhorse/canbus/uds"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// commanded is one output of service 2F in a rig.
type commanded struct {
	*rig
	spec *spec.Output
	all  []spec.Condition // that must hold to begin
}

func eachOutput(t *testing.T, run func(t *testing.T, begin func() *commanded)) {
	n := 0
	eachUnit(t, func(t *testing.T, spec *spec.Unit) {
		for i := range spec.Outputs {
			o := &spec.Outputs[i]
			n++
			t.Run(o.Output, func(t *testing.T) {
				run(t, func() *commanded {
					c := &commanded{newRig(t, spec), o, slices.Concat(serviceNeeds(spec, 0x2F), o.Needs, o.Hold)}
					c.toSession(o.In, o.Security)
					c.apply(choose(t, c.all))
					c.plant.Outputs = nil
					return c
				})
			})
		}
	})
	require.NotZero(t, n, "no outputs: this would prove nothing")
}

// command asks for the greatest value.
func (c *commanded) command() string {
	p := piece{bytes: c.spec.Bytes, scale: float64(c.spec.PerBit)}
	return c.ask(fmt.Sprintf("2F %04X 03 ", c.spec.DID) + ecutest.Spaced(p.number(nil, c.spec.AtMost)))
}

func (c *commanded) positive(answer string) bool {
	return strings.HasPrefix(answer, fmt.Sprintf("6F %02X %02X 03", c.spec.DID>>8, c.spec.DID&0xFF))
}

func (c *commanded) back() bool { return slices.Contains(c.plant.Outputs, c.spec.Output+" returned") }

// Every output is refused with the code of the data when a precondition is broken
// (22 where hold gives none), and returned to the unit when one that must go on to
// hold falls away, when its time is over, the session ends, the tool gives it back,
// or power goes (ISO 14229-1 clause 13.2: the unit takes control back).
func TestEveryOutputHasItsConditions(t *testing.T) {
	eachOutput(t, func(t *testing.T, begin func() *commanded) {
		begun := begin()
		for i := range begun.all {
			c := begin()
			bad := choose(t, c.all).without(&c.all[i], c.all)
			c.apply(bad)
			want := bad.first(c.all)
			if bad.first(slices.Concat(serviceNeeds(c.rig.spec, 0x2F), c.spec.Needs)) != nil {
				assert.NotZero(t, want.NRC)
			}
			assert.Equal(t, fmt.Sprintf("7F 2F %02X", cmp.Or(want.NRC, uint8(uds.ConditionsNotCorrect))), c.command(), want.Says)
			assert.Empty(t, c.plant.Outputs)
		}
		ends := map[string]func(c *commanded){
			"session": func(c *commanded) { c.ask("10 01") },
			"silence": func(c *commanded) { c.wait(c.rig.spec.Timing.S3.Duration() + time.Second) },
			"returned": func(c *commanded) {
				assert.True(t, strings.HasPrefix(c.ask(fmt.Sprintf("2F %04X 00", c.spec.DID)), "6F"))
			},
			"supply": func(c *commanded) { c.server.Power(c.now, false) },
		}
		if begun.spec.Longest > 0 {
			ends["longest"] = func(c *commanded) {
				for d := c.spec.Longest.Duration() - 1500*time.Millisecond; d > 0; d -= time.Second {
					c.ask("3E 80")
					c.wait(min(d, time.Second))
				}
				assert.False(t, c.back(), "before its longest time is over")
				c.ask("3E 80")
				c.wait(1100 * time.Millisecond)
			}
		}
		for i := range begun.spec.Hold {
			h := &begun.spec.Hold[i]
			ends[fmt.Sprint("hold ", i)] = func(c *commanded) {
				c.apply(choose(t, c.all).without(h, c.spec.Hold))
				c.wait(10 * time.Millisecond)
			}
		}
		for name, end := range ends {
			c := begin()
			require.True(t, c.positive(c.command()), name)
			require.Len(t, c.plant.Outputs, 1, name)
			c.wait(time.Second)
			require.False(t, c.back(), name)
			end(c)
			assert.True(t, c.back(), name)
		}
	})
}

// Every test of service 08 is refused with 22 when a condition is broken, the only
// refusal it has, and as routine E0xx with the condition's own code; broken half way
// it ends with the data's reason.
func TestEveryTestHasItsConditions(t *testing.T) {
	n := 0
	eachUnit(t, func(t *testing.T, spec *spec.Unit) {
		if spec.OBD == nil {
			return
		}
		for i := range spec.OBD.Tests {
			x := &spec.OBD.Tests[i]
			n++
			all := slices.Concat(x.Needs, x.Hold)
			request, routine := fmt.Sprintf("08 %02X 00 00 00 00 00", x.TID), fmt.Sprintf("E0 %02X", x.TID)
			begin := func(v values) *rig {
				r := newRig(t, spec)
				r.toSession([]string{"extended"}, 0)
				r.apply(v)
				r.plant.Outputs = nil
				return r
			}
			good := choose(t, slices.Concat(all, serviceNeeds(spec, 0x31)))
			for k := range all {
				bad := good.without(&all[k], all)
				r := begin(bad)
				assert.Equal(t, "7F 08 22", r.call(request), all[k].Says)
				assert.Equal(t, fmt.Sprintf("7F 31 %02X", cmp.Or(bad.first(all).NRC, uint8(uds.ConditionsNotCorrect))), r.ask("31 01 "+routine), all[k].Says)
				assert.Empty(t, r.plant.Outputs)
			}
			for k := range x.Hold {
				r := begin(good)
				assert.Equal(t, fmt.Sprintf("48 %02X 00 00 00 00 00", x.TID), r.call(request))
				assert.Len(t, r.plant.Outputs, len(x.Sets))
				assert.Equal(t, "71 03 "+routine+" 01 00", r.ask("31 03 "+routine))
				r.apply(good.without(&x.Hold[k], x.Hold))
				r.wait(10 * time.Millisecond)
				assert.Equal(t, fmt.Sprintf("71 03 %s 02 %02X", routine, x.Hold[k].Reason), r.ask("31 03 "+routine))
				assert.Len(t, r.plant.Outputs, 2*len(x.Sets), "all are given back")
			}
			r := begin(good)
			r.call(request)
			r.wait(x.Lasts.Duration() + time.Second)
			r.toSession([]string{"extended"}, 0)
			assert.Equal(t, "71 03 "+routine+" 00 00", r.ask("31 03 "+routine), "its time is over")
			assert.Len(t, r.plant.Outputs, 2*len(x.Sets))
		}
	})
	require.NotZero(t, n, "no tests: this would prove nothing")
}
