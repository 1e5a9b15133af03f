package car_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"sawhorse/bench/car"
)

// The schemas take every file of the cars that stand here, by a validator that is not
// ours, and refuse a key that the loader refuses.
func TestSchemas(t *testing.T) {
	for name, schema := range map[string][]byte{"car.yaml": car.Schema(), "circuits.yaml": car.CircuitsSchema()} {
		doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(schema))
		require.NoError(t, err)
		c := jsonschema.NewCompiler()
		require.NoError(t, c.AddResource("s.json", doc))
		s, err := c.Compile("s.json")
		require.NoError(t, err)
		for _, dir := range []string{"petrel48", "auklet18", "../../deploy/examples/siskin2"} {
			data, err := os.ReadFile(filepath.Join(dir, name))
			require.NoError(t, err)
			assert.NoError(t, s.Validate(asJSON(t, data)), "%s of %s", name, dir)
			wrong := strings.Replace(string(data), "connector:", "conector:", 1)
			wrong = strings.Replace(wrong, "bit_rate:", "bitrate:", 1)
			assert.Error(t, s.Validate(asJSON(t, []byte(wrong))), "%s of %s", name, dir)
		}
	}
}

func asJSON(t *testing.T, data []byte) any {
	t.Helper()
	j, err := yaml.YAMLToJSON(data)
	require.NoError(t, err)
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
	require.NoError(t, err)
	return v
}
