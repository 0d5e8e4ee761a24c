package browser

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// point is a place in the window, in CSS pixels from its upper left.
type point struct{ X, Y float64 }

// reach finds where a finger can press an element: its middle, once it is there, is enabled and has been brought into view. It says why it
// can't, as a string, where it can't.
const reach = `(selector => {
	const found = document.querySelectorAll(selector)
	if (found.length !== 1) return found.length + ' elements are ' + selector
	const element = found[0]
	if (!element.checkVisibility({visibilityProperty: true})) return 'it can not be seen'
	if (element.matches(':disabled, [aria-disabled=true]')) return 'it is disabled'
	element.scrollIntoView({block: 'center', behavior: 'instant'})
	const box = element.getBoundingClientRect()
	const at = {X: box.x + box.width / 2, Y: box.y + box.height / 2}
	const top = document.elementFromPoint(at.X, at.Y)
	if (!top) return 'it is outside the window'
	if (top !== element && !element.contains(top)) return 'it is covered by ' + top.outerHTML.slice(0, 100)
	return at
})(%s)`

// drawn waits until what the page is by now has been drawn: a hand presses what it sees, and a browser takes a press for what it has drawn last. A
// page that is not drawn at all is not waited for long.
const drawn = `Promise.race([
	new Promise(settle => requestAnimationFrame(() => requestAnimationFrame(() => settle(true)))),
	new Promise(settle => setTimeout(() => settle(false), 1000)),
])`

// place waits until an element can be pressed and stands still, and says where.
func (w *Window) place(selector string) point {
	w.t.Helper()
	quoted, err := json.Marshal(selector)
	if err != nil {
		w.t.Fatal(err)
	}
	var last point
	for deadline := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		answer := Value[json.RawMessage](w, fmt.Sprintf(reach, quoted))
		var at point
		if json.Unmarshal(answer, &at) == nil {
			if at == last {
				return at
			}
			last = at
			Value[bool](w, drawn)
		}
		if time.Now().After(deadline) {
			w.t.Fatalf("%s: %s can't be pressed: in %v it never changed that %s\nthe page says:\n%s", w.Shape.Name, selector, patience,
				answer, Value[string](w, "document.body.innerText"))
		}
	}
}

// Click presses the only element that the CSS selector finds, by a finger on a telephone, by the mouse on a desktop. It waits until the
// element can be seen and is enabled, and fails the test where something lies over it.
func (w *Window) Click(selector string) {
	w.t.Helper()
	w.press("press "+selector, w.place(selector))
}

// ClickAt presses an element at a place within it, given as fractions of its width and height.
func (w *Window) ClickAt(selector string, right, down float64) {
	w.t.Helper()
	w.place(selector) // brings it into view
	quoted, err := json.Marshal(selector)
	if err != nil {
		w.t.Fatal(err)
	}
	at := Value[point](w, fmt.Sprintf(`(box => ({X: box.x + %g * box.width, Y: box.y + %g * box.height}))
		(document.querySelector(%s).getBoundingClientRect())`, right, down, quoted))
	w.press("press in "+selector, at)
}

func (w *Window) press(attempt string, at point) {
	w.t.Helper()
	if !w.Shape.Touch {
		w.do(attempt, chromedp.MouseClickXY(at.X, at.Y))
		return
	}
	touch := func(kind input.DispatchTouchEventType, points ...*input.TouchPoint) chromedp.Action[chromedp.Void] {
		return func(ctx context.Context, t *chromedp.Target) (chromedp.Void, error) {
			if points == nil {
				points = []*input.TouchPoint{}
			}
			_, err := cdp.Call(ctx, t, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
			return chromedp.Void{}, err
		}
	}
	w.do(attempt, touch(input.DispatchTouchEventTypeTouchStart, &input.TouchPoint{X: at.X, Y: at.Y}), touch(input.DispatchTouchEventTypeTouchEnd))
}

// Type presses a field and types a text in it, after what is there.
func (w *Window) Type(selector, text string) {
	w.t.Helper()
	w.Click(selector)
	w.Keys(text)
}

// Keys presses keys, one after the other: those of package kb too.
func (w *Window) Keys(keys string) {
	w.t.Helper()
	w.do(fmt.Sprintf("press the keys %q", keys), chromedp.KeyEvent(keys))
}

// Text is what a reader sees of the only element that the CSS selector finds; "" where it is hidden.
func (w *Window) Text(selector string) string {
	w.t.Helper()
	quoted, err := json.Marshal(selector)
	if err != nil {
		w.t.Fatal(err)
	}
	return Value[string](w, fmt.Sprintf(`(found => {
		if (found.length !== 1) throw Error(found.length + ' elements are ' + %[1]s)
		return found[0].checkVisibility({visibilityProperty: true}) ? found[0].innerText.trim() : ''
	})(document.querySelectorAll(%[1]s))`, quoted))
}

// Choose takes a choice of a list. The list that a browser opens is not part of the page, so that no hand of ours reaches it: the value is
// set, and the page told.
func (w *Window) Choose(selector, value string) {
	w.t.Helper()
	w.place(selector)
	list, err := json.Marshal(selector)
	if err != nil {
		w.t.Fatal(err)
	}
	choice, err := json.Marshal(value)
	if err != nil {
		w.t.Fatal(err)
	}
	if got := Value[string](w, fmt.Sprintf(`(list => {
		list.value = %s
		list.dispatchEvent(new Event('input', {bubbles: true}))
		list.dispatchEvent(new Event('change', {bubbles: true}))
		return list.value
	})(document.querySelector(%s))`, choice, list)); got != value {
		w.t.Fatalf("%s: %s does not offer %q", w.Shape.Name, selector, value)
	}
}
