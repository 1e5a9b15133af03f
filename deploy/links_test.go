// Package deploy_test holds the pages for people against what is there.
package deploy_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// link is a link of Markdown (CommonMark 0.31, section 6.3), in the inline form that our pages use.
var link = regexp.MustCompile(`\]\(([^)\s]+)\)`)

// A page whose link leads nowhere leaves its reader alone.
func TestLinksLeadSomewhere(t *testing.T) {
	links := 0
	err := filepath.WalkDir("..", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (name != ".." && strings.HasPrefix(d.Name(), ".") || d.Name() == "out" || d.Name() == "bin") {
			return filepath.SkipDir
		}
		if filepath.Ext(name) != ".md" {
			return nil
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		for _, m := range link.FindAllStringSubmatch(string(text), -1) {
			to, _, _ := strings.Cut(m[1], "#")
			if to == "" || strings.Contains(to, "://") {
				continue
			}
			links++
			_, err := os.Stat(filepath.Join(filepath.Dir(name), filepath.FromSlash(to)))
			assert.NoError(t, err, "%s has a link to %s", name, m[1])
		}
		return nil
	})
	require.NoError(t, err)
	require.Greater(t, links, 10, "few links found: this test would prove nothing")
}
