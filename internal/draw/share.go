package draw

// ShareSpan draws a share of vehicles as the line of its interval between 0 and
// 1, with the share on it and, upright, the share elsewhere where there is one to
// compare with (below 0: none). The numbers stand beside it, so it is hidden from
// people who hear the page.
func ShareSpan(low, share, high, elsewhere float64) string {
	const width, height, pad = 128.0, 18.0, 6.0
	at := func(p float64) float64 { return pad + (width-2*pad)*min(max(p, 0), 1) }
	var c canvas
	c.open("svg", attr{"xmlns", "http://www.w3.org/2000/svg"}, attr{"class", "share"}, attr{"viewBox", "0 0 128 18"}, num("width", width), num("height", height), attr{"aria-hidden", "true"})
	c.leaf("line", attr{"class", "base"}, attr{"stroke", "#bbb"}, num("x1", at(0)), num("x2", at(1)), num("y1", height/2), num("y2", height/2))
	c.leaf("line", attr{"class", "interval"}, attr{"stroke", "#333"}, attr{"stroke-width", "4"}, num("x1", at(low)), num("x2", max(at(high), at(low)+1)), num("y1", height/2), num("y2", height/2))
	if elsewhere >= 0 {
		c.leaf("line", attr{"class", "elsewhere"}, attr{"stroke", "#000"}, attr{"stroke-width", "2"}, num("x1", at(elsewhere)), num("x2", at(elsewhere)), num("y1", 1), num("y2", height-1))
	}
	c.leaf("circle", attr{"class", "here"}, attr{"fill", "#fff"}, attr{"stroke", "#222"}, attr{"stroke-width", "1.5"}, num("cx", at(share)), num("cy", height/2), num("r", 4))
	c.close("svg")
	return c.String()
}
