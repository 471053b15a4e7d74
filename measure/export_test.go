package measure

// Place shows the tests where a place of the old picture is on the new one, and
// whether the rings round it are there.
func (f Fit) Place(p Point) (Point, bool) { return f.place(p), f.there(p) }
