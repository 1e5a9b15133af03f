package tool

import (
	"bytes"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// lookEvery is how often the kernel is asked whether a tool had to wait.
const lookEvery = 50 * time.Millisecond

// starvation tells how long a process and its children would have run and could not:
// their threads waited for a processor, or were stopped by somebody. The figures are
// the kernel's, of each thread (/proc/PID/task/TID/schedstat, proc_pid_schedstat); where
// it keeps none, the time that anything at all waited (/proc/pressure/cpu).
type starvation struct {
	pid     int
	last    map[string]uint64 // waited so far, in ns, by thread
	all     uint64            // waited so far by anything, in us
	began   bool
	waiting time.Duration // of a stretch that is not over
	tell    func(by time.Duration)
}

// watch looks until the process has ended, and tells of each stretch in which it waited
// for more than a quarter of the time.
func (s *starvation) watch(ended <-chan struct{}) {
	t := time.NewTicker(lookEvery)
	defer t.Stop()
	last := time.Now()
	for {
		select {
		case <-ended:
			s.over()
			return
		case now := <-t.C:
			s.see(min(s.waited(now.Sub(last)), now.Sub(last)), now.Sub(last))
			last = now
		}
	}
}

// see takes in how much of a stretch of time was spent waiting.
func (s *starvation) see(waited, of time.Duration) {
	if waited < of/4 {
		s.over()
		return
	}
	s.waiting += waited
}

func (s *starvation) over() {
	if s.waiting > 0 {
		s.tell(s.waiting)
	}
	s.waiting = 0
}

// waited is how long the process waited since the last call, a stretch ago.
func (s *starvation) waited(stretch time.Duration) time.Duration {
	now := map[string]uint64{}
	stopped := false
	for _, pid := range family(s.pid) {
		stopped = stopped || isStopped(pid)
		files, _ := filepath.Glob("/proc/" + strconv.Itoa(pid) + "/task/*/schedstat")
		for _, f := range files {
			if n, ok := number(f, 1); ok {
				now[f] = n
			}
		}
	}
	if stopped {
		s.last = now
		return stretch
	}
	if len(now) == 0 {
		return s.pressure()
	}
	var sum uint64
	for f, n := range now {
		if was, ok := s.last[f]; ok && n > was {
			sum += n - was
		}
	}
	s.last = now
	return time.Duration(sum)
}

// pressure is how long anything waited for a processor since the last call.
func (s *starvation) pressure() time.Duration {
	data, err := os.ReadFile("/proc/pressure/cpu")
	if err != nil {
		return 0
	}
	_, rest, ok := bytes.Cut(data, []byte("total="))
	line, _, _ := bytes.Cut(rest, []byte("\n"))
	n, err := strconv.ParseUint(string(line), 10, 64)
	if !ok || err != nil {
		return 0
	}
	was := s.all
	s.all = n
	if !s.began {
		s.began = true
		return 0
	}
	return time.Duration(n-was) * time.Microsecond
}

// family is a process with its children's children.
func family(pid int) []int {
	list := []int{pid}
	for i := 0; i < len(list) && len(list) < 256; i++ {
		files, _ := filepath.Glob("/proc/" + strconv.Itoa(list[i]) + "/task/*/children")
		for _, f := range files {
			data, _ := os.ReadFile(f)
			for _, word := range bytes.Fields(data) {
				if n, err := strconv.Atoi(string(word)); err == nil {
					list = append(list, n)
				}
			}
		}
	}
	return list
}

// isStopped reports whether a process is stopped: by a signal, or by a debugger.
func isStopped(pid int) bool {
	data, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return false
	}
	// The name before the state may have any characters, parentheses too.
	i := bytes.LastIndexByte(data, ')')
	return i > 0 && i+2 < len(data) && (data[i+2] == 'T' || data[i+2] == 't')
}

// number is a number of a file with several in one line.
func number(path string, i int) (uint64, bool) {
	data, err := os.ReadFile(path)
	if err != nil {
		return 0, false
	}
	words := bytes.Fields(data)
	if i >= len(words) {
		return 0, false
	}
	n, err := strconv.ParseUint(string(words[i]), 10, 64)
	return n, err == nil
}
