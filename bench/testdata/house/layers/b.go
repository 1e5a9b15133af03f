package layers

func b(n int) int { return n + c() }
