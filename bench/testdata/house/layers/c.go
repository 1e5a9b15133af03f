package layers

func c() int { return low() }

func low() int { return top() } // broken
