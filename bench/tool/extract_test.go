package tool

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/task"
)

func entryOf(t testing.TB, file, task string, args map[string]string) (*Profile, *Entry) {
	t.Helper()
	p, err := Load("testdata/good/" + file)
	require.NoError(t, err)
	e, ok := p.Entry(task, args)
	require.True(t, ok)
	return p, e
}

const scanOutput = `{
 "car": {"number": "testcar0123456789", "lamp": true}, "erased": false, "fw": "1.2",
 "modules": [{"id": "engine", "addr": 2016}, {"id": "brake"}],
 "faults": [{"kind": "confirmed", "no": "p080a", "module": "engine"}, {"kind": "guess", "no": "P0000"}],
 "pending": [],
 "permanent": [{"no": "U0100", "ftb": "8f"}],
 "water_f": 181.4,
 "values": [{"n": "rpm", "v": 604}, {"n": "speed", "v": "31.0685596"}, {"n": "volts", "v": 14.3, "u": "V"}, {"n": "mood", "v": "good"}],
 "ready": [{"m": "CAT", "done": false}, {"m": "OTHER", "done": true}],
 "frames": [{"no": "P080A", "module": "engine", "data": [{"n": "engine_rpm", "v": 604}]}],
 "result": {"word": "GOOD", "what": "clutch"}
}`

func TestJSONOutput(t *testing.T) {
	p, e := entryOf(t, "json.yaml", "health-check", nil)
	r, err := p.Extract(e, []byte(scanOutput))
	require.NoError(t, err)
	yes, no := true, false
	assert.True(t, r.HasVIN)
	assert.Equal(t, "TESTCAR0123456789", r.VIN)
	assert.Equal(t, &yes, r.MIL)
	assert.Equal(t, &no, r.Cleared)
	assert.Equal(t, []ECU{{Name: "engine", Address: "2016"}, {Name: "brake"}}, r.ECUs)
	assert.Equal(t, []Code{{Code: "P080A", ECU: "engine"}}, r.Stored)
	assert.Equal(t, []Code{}, r.Pending, "an empty list is there")
	assert.Equal(t, []Code{{Code: "U0100", FailureType: "8F"}}, r.Permanent)
	require.Len(t, r.Live, 4)
	assert.Equal(t, Value{Signal: "engine_rpm", Value: 604, Unit: "rpm"}, r.Live[0])
	assert.Equal(t, "coolant_c", r.Live[1].Signal)
	assert.InDelta(t, 83, r.Live[1].Value, 1e-9, "181.4 degF are 83 degC")
	assert.InDelta(t, 50, r.Live[2].Value, 1e-6, "one international mile is 1.609344 km")
	assert.Equal(t, Value{Signal: "battery_v", Value: 14.3, Unit: "V"}, r.Live[3])
	assert.Equal(t, []Monitor{{Name: "catalyst", Ready: false}}, r.Readiness)
	assert.Equal(t, []FreezeFrame{{ECU: "engine", Code: "P080A", Values: []Value{{ECU: "engine", Signal: "engine_rpm", Value: 604}}}}, r.FreezeFrames)
	assert.Equal(t, &LearnResult{Position: "clutch", Outcome: "learned"}, r.Learn)
	assert.Equal(t, []Extra{{"firmware", "1.2"}}, r.Extra)
}

func TestAbsentIsNotEmpty(t *testing.T) {
	p, e := entryOf(t, "json.yaml", "health-check", nil)
	for _, doc := range []string{`{}`, `{"pending": null, "modules": null, "car": null, "water_f": null}`} {
		r, err := p.Extract(e, []byte(doc))
		require.NoError(t, err)
		assert.Equal(t, Report{}, r, "nothing said, nothing reported")
	}
	r, err := p.Extract(e, []byte(`{"pending": [], "modules": [], "frames": [], "ready": []}`))
	require.NoError(t, err)
	assert.NotNil(t, r.Pending)
	assert.NotNil(t, r.ECUs)
	assert.NotNil(t, r.FreezeFrames)
	assert.NotNil(t, r.Readiness)
	assert.Nil(t, r.Permanent)
}

func TestErrorsNameTheEntryAndWhatWasFound(t *testing.T) {
	p, e := entryOf(t, "json.yaml", "health-check", nil)
	for doc, want := range map[string]string{
		``:                                 `json.yaml:3: output.json: found nothing, expected one JSON document`,
		`{"pending": `:                     `found no JSON at byte`,
		`{} {}`:                            `found more after the document`,
		`[]x`:                              `found more after the document`,
		`{"car": {"number": "short"}}`:     `json.yaml:7: vin at $.car.number: found "short", expected 17 digits and letters`,
		`{"car": {"number": {"a": 1}}}`:    `vin at $['car']['number']: found {"a":1}, expected text`,
		`{"car": {"lamp": "on"}}`:          `json.yaml:8: mil at $['car']['lamp']: found "on", expected true or false`,
		`{"modules": [{"addr": 1}]}`:       `json.yaml:10: ecus.name at $['modules'][0]: found nothing for $.id, expected a value`,
		`{"pending": ["P080A", 7]}`:        `json.yaml:12: pending at $['pending'][1]: found 7, expected a trouble code`,
		`{"pending": ["intake"]}`:          `pending at $['pending'][0]: found "intake", expected a trouble code such as P080A`,
		`{"permanent": [{"ftb": "00"}]}`:   `permanent.code at $['permanent'][0]: found nothing`,
		`{"water_f": "hot"}`:               `live.value at $['water_f']: found "hot", expected a number`,
		`{"values": [{"n": "volts"}]}`:     `live.value at $['values'][0]: found nothing for $.v`,
		`{"ready": [{"m": "CAT"}]}`:        `readiness.ready at $['ready'][0]: found nothing`,
		`{"frames": [{"no": "?"}]}`:        `freeze.code at $['frames'][0]: found "?"`,
		`{"result": {"word": "SPLENDID"}}`: `learn.outcome at $.result.word: found "SPLENDID", expected one of BAD, GOOD`,
	} {
		_, err := p.Extract(e, []byte(doc))
		var xe *ExtractError
		require.ErrorAs(t, err, &xe, doc)
		assert.ErrorContains(t, err, want)
	}
}

func TestGoodPartsSurviveBadOnes(t *testing.T) {
	p, e := entryOf(t, "json.yaml", "health-check", nil)
	r, err := p.Extract(e, []byte(`{"car": {"number": "x"}, "pending": ["P0335", "what", "P0102"]}`))
	require.Error(t, err)
	assert.Equal(t, []Code{{Code: "P0335"}, {Code: "P0102"}}, r.Pending)
	assert.False(t, r.HasVIN)
	bad := `{"pending": [` + strings.Repeat(`"?",`, 1000) + `"?"]}`
	_, err = p.Extract(e, []byte(bad))
	assert.Len(t, strings.Split(err.Error(), "\n"), maxExtractErrors, "errors are bounded")
}

func TestAmbiguousPath(t *testing.T) {
	p, err := Parse("p", strings.NewReader("profile: x\ntasks:\n  - task: identify\n    command: [scan]\n    output: {json: {vin: $..vin}}\n"))
	require.NoError(t, err)
	_, err = p.Extract(p.Entries[0], []byte(`{"a": {"vin": "1"}, "b": {"vin": "2"}}`))
	require.ErrorContains(t, err, "found 2 values for $..vin, expected one")
}

const printed = "vehicle TESTCAR0123456789\r\n" +
	"== engine (7E0)\n" +
	"confirmed P080A\n" +
	"confirmed P0335-1f\n" +
	"maybe P0102 in brake\n" +
	"nothing kept\n" +
	"lamp off\nlamp on\nlamp off\n" +
	"speed of engine = 604 rpm\n" +
	"water = 181.4 F\n" +
	"mood = 7\n" +
	"supply 14300 mV\n" +
	"monitor cat: finished\nmonitor cat: waiting\n" +
	"frame of P080A\n  rpm: 604\n  other: 3\n" +
	"took 12 s\n"

func TestLineOutput(t *testing.T) {
	p, e := entryOf(t, "lines.yaml", "read-codes", nil)
	r, err := p.Extract(e, []byte(printed))
	require.NoError(t, err)
	assert.Equal(t, "TESTCAR0123456789", r.VIN)
	assert.Equal(t, []ECU{{Name: "engine", Address: "7E0"}, {Name: "brake"}}, r.ECUs)
	assert.Equal(t, []Code{{Code: "P080A", ECU: "engine"}, {Code: "P0335", FailureType: "1F", ECU: "engine"}}, r.Stored)
	assert.Equal(t, []Code{{Code: "P0102", ECU: "brake"}}, r.Pending)
	assert.Equal(t, []Code{}, r.Permanent)
	assert.True(t, *r.MIL, "on if any control unit says so")
	require.Len(t, r.Live, 3)
	assert.Equal(t, Value{ECU: "engine", Signal: "engine_rpm", Value: 604, Unit: "rpm"}, r.Live[0])
	assert.InDelta(t, 83, r.Live[1].Value, 1e-9)
	assert.Equal(t, "degC", r.Live[1].Unit)
	assert.InDelta(t, 14.3, r.Live[2].Value, 1e-9)
	assert.Equal(t, []Monitor{{"engine", "catalyst", true}, {"engine", "catalyst", false}}, r.Readiness)
	require.Len(t, r.FreezeFrames, 1)
	assert.Equal(t, []Value{{ECU: "engine", Signal: "engine_rpm", Value: 604}}, r.FreezeFrames[0].Values)
	assert.Equal(t, []Extra{{"seconds", "12"}}, r.Extra)
	assert.Nil(t, r.Learn)

	r, err = p.Extract(e, []byte("no confirmed codes\n"))
	require.NoError(t, err)
	assert.Equal(t, []Code{}, r.Stored)
	assert.Nil(t, r.Pending)

	r, err = p.Extract(e, nil)
	require.NoError(t, err)
	assert.Equal(t, Report{}, r)
}

func TestLineErrors(t *testing.T) {
	p, e := entryOf(t, "lines.yaml", "read-codes", nil)
	_, err := p.Extract(e, []byte("x\nconfirmed INTAK\n"))
	require.ErrorContains(t, err, `lines.yaml:15: lines group stored at line 2 of the output: found "INTAK", expected a trouble code`)
	_, err = p.Extract(e, []byte("water = warm\n"))
	require.ErrorContains(t, err, `lines group value at line 1 of the output: found "warm", expected a number`)
	_, err = p.Extract(e, []byte("  rpm: 604\n"))
	require.ErrorContains(t, err, "expected a line with the group freeze before it")
	_, err = p.Extract(e, []byte("vehicle 123\n"))
	require.ErrorContains(t, err, "17 digits and letters")
}

func TestLearnFromLines(t *testing.T) {
	p, e := entryOf(t, "lines.yaml", "learn", map[string]string{"position": "clutch"})
	r, err := p.Extract(e, []byte("clutch: declined because pedal up\n"))
	require.NoError(t, err)
	assert.Equal(t, &LearnResult{"clutch", "refused", "pedal up"}, r.Learn)
	_, err = p.Extract(e, []byte("clutch: exploded\n"))
	require.ErrorContains(t, err, "expected one of declined, taught")
}

func TestNoOutput(t *testing.T) {
	p, e := entryOf(t, "lines.yaml", "clear-codes", nil)
	r, err := p.Extract(e, []byte("anything"))
	require.NoError(t, err)
	assert.Equal(t, Report{}, r)
	assert.Equal(t, task.Fields(0), e.Reads())
}

// FuzzExtract: whatever a tool prints gives a report of valid values, and
// errors that say where.
func FuzzExtract(f *testing.F) {
	f.Add([]byte(scanOutput))
	f.Add([]byte(printed))
	f.Add([]byte(`{"pending":["P0335",{}],"values":[[1]],"frames":[{"no":"P080A","data":[{"n":1,"v":"2"}]}]}`))
	pj, ej := entryOf(f, "json.yaml", "health-check", nil)
	pl, el := entryOf(f, "lines.yaml", "read-codes", nil)
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, x := range []struct {
			p *Profile
			e *Entry
		}{{pj, ej}, {pl, el}} {
			r, err := x.p.Extract(x.e, data)
			for _, cs := range [][]Code{r.Stored, r.Pending, r.Permanent} {
				for _, c := range cs {
					require.Regexp(t, `^[PCBU][0-3][0-9A-F]{3}$`, c.Code)
				}
			}
			if r.HasVIN {
				require.Len(t, r.VIN, 17)
			}
			for _, v := range r.Live {
				require.False(t, v.Value != v.Value, "not a number")
			}
			if err != nil {
				var xe *ExtractError
				require.True(t, errors.As(err, &xe))
				require.Positive(t, xe.Line)
				require.NotEmpty(t, xe.Entry)
			}
		}
	})
}

// What a tool says not to know is neither empty nor left unsaid, unit by unit.
func TestNotKnownIsSaid(t *testing.T) {
	states := func(profile, output string) map[string]task.States {
		p, err := Parse("p.yaml", strings.NewReader(profile))
		require.NoError(t, err)
		r, err := p.Extract(p.Entries[0], []byte(output))
		require.NoError(t, err)
		got := map[string]task.States{}
		for _, u := range r.Told {
			got[u.ECU] = u.States
		}
		return got
	}
	document := states(`
profile: x
tasks:
  - task: read-codes
    command: [scan]
    output:
      json:
        unknown: [null, "n/a", -1]
        ecus: {each: $.units, name: $.n, stored: $.s, pending: $.p, permanent: $.k, mil: $.m}
`, `{"units": [{"n": "engine", "s": null, "p": "n/a", "k": [], "m": -1}, {"n": "body", "s": [], "p": ["P0300"]}]}`)
	lines := states(`
profile: x
tasks:
  - task: read-codes
    command: [scan]
    output:
      lines:
        - {match: '^== (?P<ecu>\w+)$'}
        - {match: '^no answer to 03$', unknown: [stored]}
        - {match: '^(?P<ecu>\w+) has no pending$', empty: [pending]}
        - {match: '^nothing known but kept ones$', unknown: [pending, mil]}
        - {match: '^none kept$', empty: [permanent]}
        - {match: '^none$', empty: [stored]}
        - {match: '^pending (?P<pending>\w+)$'}
`, "== engine\nno answer to 03\nnothing known but kept ones\nnone kept\n== body\nnone\npending P0300\n")
	for _, got := range []map[string]task.States{document, lines} {
		for unit, want := range map[string]map[task.Fields]task.State{
			"engine": {task.Stored: task.Unknown, task.Pending: task.Unknown, task.Permanent: task.Empty, task.Lamp: task.Unknown},
			"body":   {task.Stored: task.Empty, task.Pending: task.Said, task.Permanent: task.NotSaid, task.Lamp: task.NotSaid},
		} {
			for field, state := range want {
				assert.Equal(t, state, got[unit].Of(field), "%s %b", unit, field)
			}
		}
	}
}

// extracted is what a profile's mapping, under json or lines, makes of an output.
func extracted(t *testing.T, mapping, output string) (Report, error) {
	t.Helper()
	text := "profile: x\ntasks:\n  - task: read-codes\n    command: [scan]\n    output:\n"
	for line := range strings.Lines(mapping) {
		text += "      " + line
	}
	require.NoError(t, conforms(compiledSchema(t), []byte(text)), text)
	p, err := Parse("p.yaml", strings.NewReader(text))
	require.NoError(t, err)
	return p.Extract(p.Entries[0], []byte(output))
}

// All pairs of an object are items: the key stands for the name or the code that the
// mapping leaves out, the value for the value.
func TestPairsOfAnObject(t *testing.T) {
	r, err := extracted(t, `json:
  ecus: {pairs: $.units, address: $.at, live: [{pairs: $.now, names: {rpm: engine_rpm, speed: {signal: vehicle_kmh, hex: true}}}]}
  stored: {pairs: $.codes, ecu: $.unit}
  readiness: {pairs: $.ready}
  freeze: {pairs: $.frames, values: [{pairs: $}]}
`, `{"units": {"engine": {"at": "7E0", "now": {"rpm": 640, "speed": "0x1F", "mood": "good"}}, "body": {}},
 "codes": {"P0300": {"unit": "engine"}, "P0113": {}}, "ready": {"misfire": true, "catalyst": false},
 "frames": {"P0300": {"engine_rpm": 700}}}`)
	require.NoError(t, err)
	assert.Equal(t, []ECU{{Name: "body"}, {Name: "engine", Address: "7E0"}}, r.ECUs, "in the order of the keys")
	assert.Equal(t, []Code{{Code: "P0113"}, {Code: "P0300", ECU: "engine"}}, r.Stored)
	assert.Equal(t, []Value{{ECU: "engine", Signal: "engine_rpm", Value: 640}, {ECU: "engine", Signal: "vehicle_kmh", Value: 31}}, r.Live)
	assert.Equal(t, []Monitor{{Name: "catalyst"}, {Name: "misfire", Ready: true}}, r.Readiness)
	assert.Equal(t, []FreezeFrame{{Code: "P0300", Values: []Value{{Signal: "engine_rpm", Value: 700}}}}, r.FreezeFrames)
	_, err = extracted(t, "json:\n  readiness: {pairs: $.ready}\n", `{"ready": ["misfire"]}`)
	require.ErrorContains(t, err, `found ["misfire"], expected an object with pairs`)
	_, err = extracted(t, "json:\n  readiness: {pairs: $.ready}\n", `{"ready": {"misfire": "yes"}}`)
	require.ErrorContains(t, err, `found "yes", expected true or false`)
}

// Of several paths the first counts that finds anything.
func TestAlternatives(t *testing.T) {
	const mapping = "json:\n  vin: [$.vin, $.car.vin]\n  stored: [$.dtcs, $.codes]\n"
	for doc, want := range map[string]Report{
		`{"vin": "TESTCAR0123456789", "car": {"vin": "TESTCAR9876543210"}}`: {VIN: "TESTCAR0123456789"},
		`{"vin": null, "car": {"vin": "TESTCAR9876543210"}}`:                {VIN: "TESTCAR9876543210"},
		`{"codes": ["P0300"]}`:             {Stored: []Code{{Code: "P0300"}}},
		`{"dtcs": [], "codes": ["P0300"]}`: {Stored: []Code{}},
	} {
		r, err := extracted(t, mapping, doc)
		require.NoError(t, err)
		assert.Equal(t, want.VIN, r.VIN, doc)
		assert.Equal(t, want.Stored, r.Stored, doc)
	}
}

func TestSeveralDocuments(t *testing.T) {
	const mapping = "json:\n  several: true\n  vin: $.vin\n  stored: {each: $.code, code: $}\n"
	r, err := extracted(t, mapping, "{\"vin\": \"TESTCAR0123456789\"}\n{\"code\": \"P0300\"}\n{\"code\": \"P0113\"}\n")
	require.NoError(t, err)
	assert.Equal(t, "TESTCAR0123456789", r.VIN)
	assert.Equal(t, []Code{{Code: "P0300"}, {Code: "P0113"}}, r.Stored)
	_, err = extracted(t, mapping, `{"code": "P0300"} oops`)
	require.ErrorIs(t, err, ErrNoDocument)
	_, err = extracted(t, mapping, `{"code": {"no": "P0300"}}`)
	require.Error(t, err)
	require.NotErrorIs(t, err, ErrNoDocument, "it is the profile that does not fit")
}

// A number or code of a wrong form is what the tool says, for a judge to find.
func TestMistakesOfTheToolAreTakenAsSaid(t *testing.T) {
	r, err := extracted(t, "json:\n  vin: $.vin\n  stored: $.codes\n", `{"vin": "testcar012345678", "codes": ["P113", "P08A00"]}`)
	require.NoError(t, err)
	assert.Equal(t, "TESTCAR012345678", r.VIN)
	assert.Equal(t, []Code{{Code: "P113"}, {Code: "P08A00"}}, r.Stored)
}
