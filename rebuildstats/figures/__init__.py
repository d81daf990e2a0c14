"""Results to plotly Figures, and nothing else: frames with the contract's columns in, a plotly `Figure` out.

Every function is pure. It takes the frame it draws, the store's distance unit (`mi`, `km`, `h`) where an axis or a
hover needs one, and `look`, the colours of a light or a dark page (`palette.LIGHT`, `palette.DARK`). Every axis names
its unit; every hover carries the interval and the counts that stand behind a number; what differs by colour differs
by marker, dash or hatching as well, so that a picture still reads in grey or to a colour-blind reader.

Nothing is computed here but positions on paper: estimates come from `fits`, `demand` and `stock`.
"""
