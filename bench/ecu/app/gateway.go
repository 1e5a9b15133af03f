package app

import (
	"time"

	"sawhorse/bench/car"
)

// Gateway is the program of the ECU between two buses. What it passes on is not the
// program's: it watches who is there.
type Gateway struct{ base }

func init() { register("gateway", NewGateway) }

// NewGateway builds the program on a car's wiring; errors as New. It lives without the
// key: upS counts from key on.
func NewGateway(c *car.Car, codes Codes, nv NV) (*Gateway, error) {
	g := &Gateway{newBase("gateway", c, codes, nv)}
	g.listensTo(engineLost, boxLost, brakeLost, bodyLost)
	return g, g.whole()
}

// Step runs the program once; call it every car.StepTime.
func (g *Gateway) Step(now time.Duration) {
	v, alive := g.supplied()
	if !alive {
		g.Restart()
		g.dark()
		return
	}
	if !g.keyOn() {
		g.upS = 0
		g.show(car.KeyOff, v)
		g.ears.rest(g.readings)
		return
	}
	g.upS += dt
	g.show(car.KeyOn, v)
	g.listen(now, v)
}
