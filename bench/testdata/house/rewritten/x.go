// Package rewritten breaks a rule of the house on purpose.
package rewritten

var (
	count  int
	table  = map[string]int{}
	record struct{ list []int }
	fixed  = []int{1}
)

func init() {
	count = 1
	register("a")
	again("b")
}

// register is called at the start only, again is not.
func register(name string) { table[name] = 1 }

func again(name string) { table[name] = 1 } // broken

var _ = func() { again("c") }

// Write changes what all runs share.
func Write(m map[string]int) int {
	count++            // broken
	table["a"] = 1     // broken
	record.list[0] = 2 // broken
	delete(table, "a") // broken
	local := fixed[0]
	local = count
	m["a"] = local
	func() { record.list = nil }() // broken
	return local
}
