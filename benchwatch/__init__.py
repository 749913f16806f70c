"""Watch a bench frequency counter while somebody turns an oscillator's trimmer."""
