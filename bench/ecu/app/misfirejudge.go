package app

// The monitor counts failed firings over 1000 turns of the crank for emissions, and
// over 200 for what overheats the catalyst (13 CCR 1968.2 (e)(3.2), from memory).
const (
	blockTurns = 200
	blocksKept = 4 // before the one under way: 1000 turns in all
	namedShare = 0.25
	manyShare  = 0.4
	flashS     = 1 // the lamp's period (13 CCR 1968.2 (e)(3.4.1))
)

// misfireBlock is what was counted in 200 turns.
type misfireBlock struct {
	count    [16]float64
	fired    float64
	unburnt  float64 // failures whose fuel went into the catalyst
	limitPct float64 // sum of what each firing's load allows
}

// misfireJudge makes verdicts of the failed firings. A limit that is reached before
// its turns are over is exceeded whatever the rest brings.
type misfireJudge struct {
	turns    float64
	now      misfireBlock
	past     [blocksKept]misfireBlock
	judged   bool
	over     [16]bool
	many     bool // no cylinder stands out
	sharePct float64
	harmful  bool    // the catalyst is in danger
	asked    bool    // it has been in this drive
	looked   float64 // firings of this block at the last look
}

// see takes one firing, and the cylinder that has failed to fire, -1 for none.
func (j *misfireJudge) see(e *Engine, k int) {
	b := &j.now
	b.fired++
	b.limitPct += e.cal.Misfire.CatalystPct.At(e.air.loadPct)
	if k < 0 {
		return
	}
	b.count[k]++
	if e.misfire.off&(1<<k) == 0 && !e.drivers.injector[k].failed() {
		b.unburnt++
	}
}

// step judges what is certain, and all at the end of a block.
func (j *misfireJudge) step(e *Engine) {
	n := e.cal.Cylinders
	firings := blockTurns * float64(n) / 2
	b := &j.now
	if b.fired == j.looked && j.turns < blockTurns {
		return // nothing was counted since; none at all in a new block
	}
	j.looked = b.fired
	if b.fired == 0 {
		return
	}
	danger := b.unburnt > float64(b.limitPct/b.fired/100*firings)
	if danger {
		j.harmful, j.asked = true, true
	}
	var count [16]float64
	total, fired, worst := 0.0, b.fired, 0.0
	for k := range n {
		count[k] = b.count[k]
		for i := range j.past {
			count[k] += j.past[i].count[k]
		}
		total, worst = total+count[k], max(worst, count[k])
	}
	for i := range j.past {
		fired += j.past[i].fired
	}
	exceeded := total > float64(e.cal.Misfire.EmissionPct/100*(blocksKept+1)*firings)
	if !exceeded && j.turns < blockTurns {
		return
	}
	j.judged, j.sharePct = true, total/fired*100
	j.many = exceeded && worst < float64(manyShare*total)
	for k := range n {
		j.over[k] = exceeded && !j.many && count[k] >= float64(namedShare*total)
	}
	if j.turns >= blockTurns {
		j.harmful, j.turns = danger, 0
		copy(j.past[1:], j.past[:])
		j.past[0], j.now, j.looked = j.now, misfireBlock{}, 0
	}
}

// stop forgets what was counted: an engine that stands does not misfire.
func (j *misfireJudge) stop() {
	*j = misfireJudge{judged: j.judged, over: j.over, many: j.many, sharePct: j.sharePct, asked: j.asked}
}

// flashing reports whether the lamp is in the dark half of a flash.
func (e *Engine) flashing() bool {
	if !e.misfire.judge.harmful {
		return false
	}
	s := e.runS / flashS
	return s-float64(int(s)) >= 0.5
}
