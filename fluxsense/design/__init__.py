"""Design of experiments: what a planned experiment will tell, and which experiment tells more.

Here live the Fisher information of a planned experiment and its angular errors (`sensitivity`, of directions
of transmission with `counted`), what cannot be told apart (`ambiguity`), the choice of bias, pump power and pump frequency (`working_point`), the split of sweeps
(`schedule`), when sweeps are taken and the slow flux noise that they share for it (`timeline`), expected information gain
(`information_gain`), layouts of loops (`layout`), numbers of isolators (`count`), outlines to and from GDSII (`gdsii`).
Every prediction comes from the chip model of `device` and the unknowns of `infer`: no second model of the chip may live
here, and nothing here looks at measured traces.
"""
