package tool

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/task"
)

func compiledSchema(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	c := jsonschema.NewCompiler()
	require.NoError(t, c.AddResource("profile.json", doc))
	s, err := c.Compile("profile.json") // checks against the 2020-12 meta-schema, too
	require.NoError(t, err)
	return s
}

// conforms asks a general JSON Schema library about the text.
func conforms(s *jsonschema.Schema, text []byte) error {
	j, err := yaml.YAMLToJSON(text)
	if err != nil {
		return err
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

func TestGoodProfilesLoadAndConform(t *testing.T) {
	s := compiledSchema(t)
	files, err := filepath.Glob("testdata/good/*.yaml")
	require.NoError(t, err)
	builtins, err := filepath.Glob("builtin/*.yaml")
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 3)
	require.GreaterOrEqual(t, len(builtins), 2)
	for _, f := range append(files, builtins...) {
		p, err := Load(f)
		require.NoError(t, err, f)
		assert.NotEmpty(t, p.Entries, f)
		assert.Equal(t, filepath.Dir(f), p.Folder)
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		require.NoError(t, conforms(s, text), f)
	}
}

// TestRejectedShapes has one file for each shape that is rejected. The file's
// first lines say which message is expected and whether the schema rejects it
// as well; positions count from behind those two lines.
func TestRejectedShapes(t *testing.T) {
	s := compiledSchema(t)
	files, err := filepath.Glob("testdata/rejected/*.yaml")
	require.NoError(t, err)
	require.Greater(t, len(files), 60)
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(f)
			require.NoError(t, err)
			parts := strings.SplitN(string(data), "\n", 3)
			want := strings.TrimPrefix(strings.TrimPrefix(parts[0], "# want:"), " ")
			verdict := strings.TrimPrefix(parts[1], "# schema: ")
			_, err = Parse("p.yaml", strings.NewReader(parts[2]))
			var pe *ProfileError
			require.ErrorAs(t, err, &pe)
			assert.Regexp(t, `^p\.yaml:[1-9]\d*:[1-9]\d*: .`, err.Error())
			assert.NotContains(t, err.Error(), "\n", "one clear line")
			assert.Contains(t, err.Error(), want)
			switch err := conforms(s, []byte(parts[2])); verdict {
			case "rejects":
				require.Error(t, err)
			case "accepts":
				require.NoError(t, err, "what only Parse can see")
			case "unasked":
			default:
				require.Fail(t, "no verdict of the schema", verdict)
			}
		})
	}
}

func TestPositionsAreThoseOfTheFile(t *testing.T) {
	text := "profile: x\ntasks:\n  - task: identify\n    command: [scan]\n    limit: soon\n"
	_, err := Parse("here.yaml", strings.NewReader(text))
	require.EqualError(t, err, `here.yaml:5:12: limit is "soon", expected a positive duration such as 30s`)
	text = "profile: x\ntasks:\n  - task: identify\n    command: [scan, \"{bus.colour}\"]\n"
	_, err = Parse("here.yaml", strings.NewReader(text))
	require.ErrorContains(t, err, "here.yaml:4:21: command \"{bus.colour}\"")
}

func TestLoadWithoutAFile(t *testing.T) {
	_, err := Load(filepath.Join(t.TempDir(), "none.yaml"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestProfileThatIsTooLarge(t *testing.T) {
	_, err := Parse("p", strings.NewReader(strings.Repeat("#", MaxProfileSize+1)))
	require.ErrorContains(t, err, "expected at most")
}

type brokenReader struct{}

func (brokenReader) Read([]byte) (int, error) { return 0, errors.New("disk on fire") }

func TestReaderThatFails(t *testing.T) {
	_, err := Parse("p", brokenReader{})
	require.ErrorContains(t, err, "p: disk on fire")
}

func TestEntries(t *testing.T) {
	p, err := Load("testdata/good/lines.yaml")
	require.NoError(t, err)
	e, ok := p.Entry("learn", map[string]string{"position": "clutch"})
	require.True(t, ok)
	assert.Equal(t, 90*time.Second, e.Limit)
	assert.Equal(t, 500*time.Millisecond, e.Grace)
	_, ok = p.Entry("learn", map[string]string{"position": "crank-variation"})
	assert.False(t, ok, "not applicable")
	_, ok = p.Entry("read-live", nil)
	assert.False(t, ok)
	e, _ = p.Entry("read-codes", nil)
	assert.Equal(t, 45*time.Second, e.Limit, "the profile's default")
	assert.Equal(t, DefaultGrace, e.Grace)
	for status, want := range map[int]Outcome{0: OutcomeOK, 1: OutcomeRefused, 2: OutcomeUsage, 3: OutcomeNotConnected, 7: OutcomeFailed} {
		assert.Equal(t, want, e.Outcome(status))
	}
	e, _ = p.Entry("clear-codes", nil)
	assert.Equal(t, OutcomeRefused, e.Outcome(9))
	assert.Equal(t, OutcomeUsage, e.Outcome(1), "an entry's own table replaces the default's")

	p, err = Load("testdata/good/external.yaml")
	require.NoError(t, err)
	assert.Equal(t, KindExternal, p.Kind)
	e, _ = p.Entry("read-codes", nil)
	text, err := e.Instructions(BusValues("can:vcan0"))
	require.NoError(t, err)
	assert.Equal(t, "Read the codes on can:vcan0.", text)
}

func TestTemplates(t *testing.T) {
	v := BusValues("unix:/run/car.sock")
	v.Arguments = map[string]string{"position": "clutch"}
	for text, want := range map[string]string{
		"":                             "",
		"plain":                        "plain",
		"{bus.url}":                    "unix:/run/car.sock",
		"--s={bus.socket},x":           "--s=/run/car.sock,x",
		"{{{argument.position}}}":      "{clutch}",
		"{{}}":                         "{}",
		"a{{b}}c{bus.socket}{bus.url}": "a{b}c/run/car.sockunix:/run/car.sock",
	} {
		tm, err := parseTemplate(text)
		require.NoError(t, err, text)
		got, err := tm.expand(v, nil)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	tm, err := parseTemplate("{bus.interface}")
	require.NoError(t, err)
	_, err = tm.expand(v, nil)
	require.ErrorContains(t, err, `{bus.interface} has no value on bus "unix:/run/car.sock"`)
	assert.Equal(t, "vcan0", BusValues("can:vcan0").Interface)
}

// FuzzProfile: any text is a profile or one positioned error; what loads is
// usable and loads again.
func FuzzProfile(f *testing.F) {
	for _, pattern := range []string{"testdata/good/*.yaml", "testdata/rejected/*.yaml", "builtin/*.yaml"} {
		files, err := filepath.Glob(pattern)
		require.NoError(f, err)
		for _, name := range files {
			data, err := os.ReadFile(name)
			require.NoError(f, err)
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) > 8<<10 {
			t.Skip()
		}
		p, err := Parse("p.yaml", bytes.NewReader(data))
		if err != nil {
			var pe *ProfileError
			require.ErrorAs(t, err, &pe)
			require.Positive(t, pe.Line)
			require.Positive(t, pe.Column)
			require.NotEmpty(t, pe.Text)
			return
		}
		for _, e := range p.Entries {
			require.Contains(t, task.Names(), e.Task)
			require.Positive(t, e.Limit)
			_, _ = p.Extract(e, []byte(`{"a":[1,"P0335",null]}`))
			_ = fmt.Sprint(e.Outcome(3), e.Reads())
		}
		again, err := Parse("p.yaml", bytes.NewReader(data))
		require.NoError(t, err)
		require.Len(t, again.Entries, len(p.Entries))
	})
}

// One profile for several cars, with the tool's own words for what is asked.
func TestEntriesForCarsAndWords(t *testing.T) {
	const text = `
profile: x
tasks:
  - task: drive-output
    for: {car: auklet-18}
    command: [scan, --old, "{argument.output}"]
  - task: drive-output
    words: {output: {fan: "0400", fuel-pump: "0401"}}
    command: [scan, --car, "{car}", --time, "{limit.ms}", "{argument.output}"]
  - task: write-identity
    commands: [[unlock], [write, "{argument.vin:hex}", "{limit.s}"]]
`
	require.NoError(t, conforms(compiledSchema(t), []byte(text)))
	p, err := Parse("p.yaml", strings.NewReader(text))
	require.NoError(t, err)
	lines := func(task, car string, args map[string]string) (all [][]string, err error) {
		in := Invocation{Profile: p, Task: task, Values: Values{Car: car, Arguments: args, Limit: 1500 * time.Millisecond}, Environment: []string{}}
		e, ok := p.EntryFor(task, &in.Values)
		require.True(t, ok)
		for _, c := range e.commands {
			var line []string
			for _, part := range c {
				s, err := part.expand(in.Values, e.words)
				if err != nil {
					return nil, err
				}
				line = append(line, s)
			}
			all = append(all, line)
		}
		return all, nil
	}
	got, err := lines("drive-output", "auklet-18", map[string]string{"output": "fan"})
	require.NoError(t, err)
	assert.Equal(t, [][]string{{"scan", "--old", "fan"}}, got)
	got, err = lines("drive-output", "petrel-48", map[string]string{"output": "fan"})
	require.NoError(t, err)
	assert.Equal(t, [][]string{{"scan", "--car", "petrel-48", "--time", "1500", "0400"}}, got)
	_, err = lines("drive-output", "petrel-48", map[string]string{"output": "vent"})
	require.ErrorContains(t, err, `the profile has no word for "vent"`)
	got, err = lines("write-identity", "petrel-48", map[string]string{"vin": "0PT48"})
	require.NoError(t, err)
	assert.Equal(t, [][]string{{"unlock"}, {"write", "3050543438", "2"}}, got, "the characters of ASCII; seconds rounded up")
}

// What the page on profiles shows is one, for the loader and for the schema.
func TestThePageShowsAProfile(t *testing.T) {
	page, err := os.ReadFile("../../deploy/tool.md")
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(page), "## What a profile can say\n\n")
	require.True(t, ok)
	text := "profile: page\n"
	for line := range strings.Lines(rest) {
		code, indented := strings.CutPrefix(line, "    ")
		if !indented {
			break
		}
		text += code
	}
	p, err := Parse("page.yaml", strings.NewReader(text))
	require.NoError(t, err, text)
	require.Len(t, p.Entries, 2)
	require.NoError(t, conforms(compiledSchema(t), []byte(text)))
}
