package cel

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/google/cel-go/common/ast"
	"github.com/google/cel-go/common/operators"
	"github.com/google/cel-go/common/types"
)

// inWords says the condition for people who do not read expressions: "a request of
// service 04 or 14", "engine_rpm above 4300 rev/min". What has no words stays as it
// was written.
func (c *Condition) inWords(e ast.Expr) string {
	if s, ok := c.lang.sayAll(e); ok {
		return s
	}
	return c.src
}

// Plain is the condition in words.
func (c *Condition) Plain() string { return c.plain }

// joint takes the parts apart that an operator joins.
func joint(e ast.Expr, op string) []ast.Expr {
	if e.Kind() == ast.CallKind && e.AsCall().FunctionName() == op {
		return append(joint(e.AsCall().Args()[0], op), joint(e.AsCall().Args()[1], op)...)
	}
	return []ast.Expr{e}
}

// sayAll says alternatives; each is an observation with what it is like, or a state.
func (l *Language) sayAll(e ast.Expr) (string, bool) {
	var parts []string
	for _, x := range joint(e, operators.LogicalOr) {
		s, ok := l.sayBoth(joint(x, operators.LogicalAnd))
		if !ok {
			return "", false
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, ", or "), true
}

// nouns are the kinds of observations.
var nouns = map[string]string{
	"request": "a request", "response": "an answer", "frame": "a frame", "line": "a line of the tool",
	"fault-on": "a fault that comes", "fault-off": "a fault that goes", "task-start": "the start of a task",
	"task-end": "the end of a task", "driver": "a move of the driver",
}

// sayBoth says parts that all hold.
func (l *Language) sayBoth(parts []ast.Expr) (string, bool) {
	noun, rest := "", parts[:0:0]
	for _, p := range parts {
		if field, value, ok := equals(p); ok && field == "event.kind" && noun == "" {
			noun = nouns[value]
		} else {
			rest = append(rest, p)
		}
	}
	var like, states []string
	for _, p := range rest {
		if s, ok := sayField(p); ok && noun != "" {
			like = append(like, s)
			continue
		}
		s, ok := l.sayState(p)
		if !ok {
			return "", false
		}
		states = append(states, s)
	}
	while := strings.Join(states, " and ")
	switch {
	case noun == "":
		return while, true
	case while != "":
		like = append(like, "while "+while)
	}
	return strings.Join(append([]string{noun}, like...), " "), true
}

// forms are how a field of an observation with a value is said.
var forms = map[string]string{
	"event.service": "of service %02X",
	"event.sub":     "with sub-function %02X",
	"event.pid":     "for PID %02X",
	"event.did":     "for identifier %04X",
	"event.rid":     "for routine %04X",
	"event.id":      "on %03X",
	"event.nrc":     "with refusal %02X",
	"event.ecu":     "of unit %s",
	"event.task":    "(%s)",
	"event.status":  "with status %s",
	"event.fault":   "(%s)",
	"event.control": "(%s)",
	"event.text":    "that says %q",
}

// yesNo are the fields that are true or not.
var yesNo = map[string][2]string{
	"event.positive":   {"that is positive", "that is a refusal"},
	"event.functional": {"to all units", "to one unit"},
}

// sayField says what an observation is like.
func sayField(e ast.Expr) (string, bool) {
	if name, ok := nameOf(e); ok {
		words, ok := yesNo[name]
		return words[0], ok
	}
	if e.Kind() != ast.CallKind {
		return "", false
	}
	call := e.AsCall()
	args := call.Args()
	switch call.FunctionName() {
	case operators.LogicalNot:
		name, _ := nameOf(args[0])
		words, ok := yesNo[name]
		return words[1], ok
	case operators.Equals:
		for i := range 2 {
			if name, ok := nameOf(args[i]); ok {
				return sayValues(name, args[1-i:2-i])
			}
		}
	case operators.In:
		if name, ok := nameOf(args[0]); ok && args[1].Kind() == ast.ListKind {
			return sayValues(name, args[1].AsList().Elements())
		}
	}
	return "", false
}

// sayValues says a field that is one of some constants.
func sayValues(name string, values []ast.Expr) (string, bool) {
	form, ok := forms[name]
	at := strings.IndexByte(form, '%')
	if !ok || len(values) == 0 {
		return "", false
	}
	verb := strings.TrimRight(form[at:], ")")
	var list []string
	for _, x := range values {
		if x.Kind() != ast.LiteralKind {
			return "", false
		}
		switch v := x.AsLiteral().(type) {
		case types.Int:
			if !strings.HasSuffix(verb, "X") || v < 0 {
				return "", false
			}
			list = append(list, fmt.Sprintf(verb, int64(v)))
		case types.String:
			if strings.HasSuffix(verb, "X") {
				return "", false
			}
			list = append(list, fmt.Sprintf(verb, string(v)))
		default:
			return "", false
		}
	}
	return form[:at] + either(list) + form[at+len(verb):], true
}

func either(list []string) string {
	if n := len(list); n > 1 {
		return strings.Join(list[:n-1], ", ") + " or " + list[n-1]
	}
	return list[0]
}

// sayState says a state of the car, the run or the tasks.
func (l *Language) sayState(e ast.Expr) (string, bool) {
	if name, ok := nameOf(e); ok {
		r, isSignal := l.refs[name]
		return name, isSignal && l.infos[r].Unit == boolUnit
	}
	if e.Kind() != ast.CallKind {
		return "", false
	}
	call := e.AsCall()
	args := call.Args()
	switch call.FunctionName() {
	case operators.LogicalNot:
		s, ok := l.sayState(args[0])
		return "not " + s, ok && args[0].Kind() != ast.CallKind
	case operators.LogicalOr:
		s, ok := l.sayAll(e)
		return "(" + s + ")", ok
	case operators.In:
		return sayMember(args)
	case operators.Equals, operators.NotEquals:
		if s, ok := sayWord(args, call.FunctionName() == operators.Equals); ok {
			return s, true
		}
	}
	return l.sayOrder(call.FunctionName(), args)
}

// sayMember says a fault that is on or a task that has ended.
func sayMember(args []ast.Expr) (string, bool) {
	name, ok := nameOf(args[1])
	word, ok2 := textOf(args[0])
	switch {
	case !ok || !ok2:
	case name == "faults":
		return word + " is on", true
	case name == "ended":
		return "task " + word + " has ended", true
	}
	return "", false
}

// sayWord says the key and the running task.
func sayWord(args []ast.Expr, same bool) (string, bool) {
	name, ok := nameOf(args[0])
	word, ok2 := textOf(args[1])
	not := ""
	if !same {
		not = "not "
	}
	switch {
	case !ok || !ok2:
	case name == "key":
		return "the key is " + not + word, true
	case name == "task" && word == "" && same:
		return "no task runs", true
	case name == "task" && word != "":
		return "task " + word + " " + map[bool]string{true: "runs", false: "does not run"}[same], true
	}
	return "", false
}

func textOf(e ast.Expr) (string, bool) {
	if e.Kind() != ast.LiteralKind {
		return "", false
	}
	v, ok := e.AsLiteral().(types.String)
	return string(v), ok
}

// comparisons are the words of an order.
var comparisons = map[string]string{
	operators.Less: "below", operators.LessEquals: "at most", operators.Greater: "above", operators.GreaterEquals: "at least",
	operators.Equals: "equal to", operators.NotEquals: "other than",
}

// sayOrder says a number that is compared with a constant.
func (l *Language) sayOrder(op string, args []ast.Expr) (string, bool) {
	word, ok := comparisons[op]
	if !ok || len(args) != 2 || args[1].Kind() != ast.LiteralKind {
		return "", false
	}
	var number string
	switch v := args[1].AsLiteral().(type) {
	case types.Int:
		number = strconv.FormatInt(int64(v), 10)
	case types.Double:
		number = strconv.FormatFloat(float64(v), 'g', -1, 64)
	default:
		return "", false
	}
	name, ok := nameOf(args[0])
	unit, isNumber := l.units[name]
	switch {
	case ok && name == "t" && (op == operators.Greater || op == operators.GreaterEquals):
		return "after " + number + " s", true
	case ok && name == "t" && (op == operators.Less || op == operators.LessEquals):
		return "before " + number + " s", true
	case ok && isNumber:
		return strings.TrimSpace(name + " " + word + " " + number + " " + unit), true
	case args[0].Kind() == ast.CallKind && args[0].AsCall().FunctionName() == "size":
		if list, ok := nameOf(args[0].AsCall().Args()[0]); ok {
			if what := map[string]string{"ended": "tasks that have ended", "faults": "faults that are on"}[list]; what != "" {
				return "the number of " + what + " " + word + " " + number, true
			}
		}
	}
	return "", false
}
