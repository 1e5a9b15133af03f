package judge_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sawhorse/bench/judge"
)

// ISO 14229-1:2020: the layouts of the messages in clauses 8.2 and 9 to 14;
// ISO 15031-5 for services 01 to 0A (from memory).
func TestMessagesAreDecoded(t *testing.T) {
	absent := func(o judge.Observation) [5]int { return [5]int{o.Service, o.Sub, o.PID, o.DID, o.RID} }
	for _, c := range []struct {
		kind judge.Kind
		data []byte
		want [5]int
	}{
		{judge.Request, []byte{0x10, 0x83}, [5]int{0x10, 3, -1, -1, -1}},
		{judge.Request, []byte{0x22, 0xF1, 0x90}, [5]int{0x22, -1, -1, 0xF190, -1}},
		{judge.Request, []byte{0x31, 0x01, 0x02, 0x10}, [5]int{0x31, 1, -1, -1, 0x0210}},
		{judge.Request, []byte{0x01, 0x0C}, [5]int{0x01, -1, 0x0C, -1, -1}},
		{judge.Request, []byte{0x03}, [5]int{0x03, -1, -1, -1, -1}},
		{judge.Request, []byte{0x22, 0xF1}, [5]int{0x22, -1, -1, -1, -1}},
		{judge.Response, []byte{0x43, 0x01, 0x08, 0x0A}, [5]int{0x03, -1, -1, -1, -1}},
		{judge.Response, []byte{0x59, 0x02, 0xFF}, [5]int{0x19, 2, -1, -1, -1}},
		{judge.Response, []byte{0x7F, 0x31, 0x22}, [5]int{0x31, -1, -1, -1, -1}},
		{judge.Response, []byte{0x7F}, [5]int{-1, -1, -1, -1, -1}},
		{judge.Response, nil, [5]int{-1, -1, -1, -1, -1}},
	} {
		require.Equal(t, c.want, absent(judge.Message(c.kind, 0, c.data)), "% X", c.data)
	}
	o := judge.Message(judge.Response, 0, []byte{0x7F, 0x31, 0x22})
	require.Equal(t, 0x22, o.NRC)
	require.False(t, o.Positive)
}
