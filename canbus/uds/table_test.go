package uds

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// Keys of the tables are constants, so the compiler refuses one that is doubled. A name
// that is doubled, or an entry that is half there, it does not see.
func TestNoEntryIsEmptyOrDoubled(t *testing.T) {
	names := func(list []string) map[string]string {
		m := map[string]string{}
		for i, name := range list {
			m[fmt.Sprintf("%02X", i)] = name
		}
		return m
	}
	var all []string
	for i := range services {
		all = append(all, services[i].name)
	}
	tables := map[string]map[string]string{
		"services": names(all), "refusals": names(refusals[:]), "identifiers": names(identifiers[:]), "infotypes": names(infotypes[:]),
		"inUse": names(inUse[:]), "statusBits": names(statusBits[:]), "formats": names(formats[:]), "tested": names(tested[:]),
	}
	for i := range services {
		if services[i].subs != nil {
			tables["sub-functions of "+services[i].name] = names(services[i].subs)
		}
	}
	for table, list := range tables {
		seen := map[string]string{"": ""}
		for key, name := range list {
			other, twice := seen[name]
			require.False(t, twice && name != "", "%s: %s and %s are both %q", table, other, key, name)
			seen[name] = key
		}
		require.True(t, len(seen) > 1 || table == "sub-functions of SecurityAccess", "%s is empty", table)
	}
	for table, full := range map[string][]string{"inUse": inUse[:], "statusBits": statusBits[:], "formats": formats[:], "identifiers": identifiers[:]} {
		require.NotContains(t, full, "", "%s has a hole", table)
	}
}

func TestNoParameterIsHalfThere(t *testing.T) {
	places := map[string]byte{}
	for i := range pids {
		p := &pids[i]
		if p.Name == "" {
			require.Zero(t, p.Size, "%02X has a size and no name", i)
			continue
		}
		require.Positive(t, p.Size, "%02X has a name and no size", i)
		// Names are doubled only where one sensor is told in several ways.
		if other, twice := places[p.Name]; twice {
			require.Contains(t, p.Name, "oxygen sensor", "%02X and %02X have one name", other, i)
		}
		places[p.Name] = byte(i)
		for k := range p.Values {
			v := &p.Values[k]
			require.NotZero(t, v.Scale, "%02X", i)
			require.Positive(t, v.Size, "%02X", i)
			require.LessOrEqual(t, v.At+v.Size, p.Size, "%02X: a value beyond the data", i)
			require.False(t, k > 0 && v.At < p.Values[k-1].At+p.Values[k-1].Size, "%02X: values overlap", i)
		}
	}
	for _, list := range [][]Monitor{sparkMonitors[:], compressionMonitors[:]} {
		seen := map[string]bool{}
		for _, m := range list {
			place := fmt.Sprint(m.Continuous, m.Bit)
			require.False(t, seen[place] || seen[m.Name] || m.Name == "", "%v is empty or doubled", m)
			seen[place], seen[m.Name] = true, true
		}
	}
}
