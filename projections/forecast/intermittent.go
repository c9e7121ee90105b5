package forecast

// Croston smooths the sizes of demands and the intervals between them, each by alpha, and updates them where there is a demand (Croston, Forecasting and stock
// control for intermittent demands, 1972). They begin with the first size and the first interval, counted from before the first period. perPeriod is
// size ÷ interval. Without any demand all are 0.
func Croston(demand []float64, alpha float64) (size, interval, perPeriod float64) {
	since := 0
	for _, x := range demand {
		since++
		if x == 0 {
			continue
		}
		if interval == 0 {
			size, interval = x, float64(since)
		} else {
			size += float64(alpha * (x - size))
			interval += float64(alpha * (float64(since) - interval))
		}
		since = 0
	}
	if interval > 0 {
		perPeriod = size / interval
	}
	return size, interval, perPeriod
}

// SBA is Croston's demand per period without most of its bias: times 1 - alpha/2 (Syntetos and Boylan, The accuracy of intermittent demand estimates, 2005).
func SBA(demand []float64, alpha float64) float64 {
	_, _, perPeriod := Croston(demand, alpha)
	return float64((1 - alpha/2) * perPeriod)
}

// TSB smooths the probability that a period has a demand, by beta and in every period, and the size, by alpha where there is one; so the forecast of a good that
// nobody asks for any more falls (Teunter, Syntetos and Babai, Intermittent demand: linking forecasting to inventory obsolescence, 2011). probability is
// where it begins; the size begins with the first.
func TSB(demand []float64, alpha, beta, probability float64) (p, size, perPeriod float64) {
	p = probability
	for _, x := range demand {
		hit := 0.0
		if x != 0 {
			hit = 1
			if size == 0 {
				size = x
			} else {
				size += float64(alpha * (x - size))
			}
		}
		p += float64(beta * (hit - p))
	}
	return p, size, float64(p * size)
}

// Class is how a demand series behaves: the mean interval between demands (periods ÷ demands) and the squared coefficient of variation of their sizes.
type Class struct {
	Interval float64 // 0 without any demand
	CV2      float64 // sample variance ÷ squared mean; 0 below two demands
}

// The cut-offs of Syntetos, Boylan and Croston (On the categorization of demand patterns, 2005).
const (
	cutInterval = 1.32
	cutCV2      = 0.49
)

// Name is smooth, erratic, intermittent or lumpy; none without any demand.
func (c Class) Name() string {
	switch {
	case c.Interval == 0:
		return "none"
	case c.Interval < cutInterval && c.CV2 < cutCV2:
		return "smooth"
	case c.Interval < cutInterval:
		return "erratic"
	case c.CV2 < cutCV2:
		return "intermittent"
	}
	return "lumpy"
}

// Classify finds the class of a series.
func Classify(demand []float64) Class {
	n, sum := 0.0, 0.0
	for _, x := range demand {
		if x != 0 {
			n++
			sum += x
		}
	}
	if n == 0 {
		return Class{}
	}
	c := Class{Interval: float64(len(demand)) / n}
	mean, squares := sum/n, 0.0
	for _, x := range demand {
		if x != 0 {
			squares += float64((x - mean) * (x - mean))
		}
	}
	if n > 1 && mean != 0 {
		c.CV2 = squares / (n - 1) / float64(mean*mean)
	}
	return c
}
