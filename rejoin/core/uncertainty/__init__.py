"""How far a placed fragment may still be from the truth, and in which direction.

What it means
    ``u95_mm`` bounds, with 95 % confidence, the displacement of the worst point
    of a fragment against the first placed fragment. ``weakest`` says in words
    which motion the fracture faces hold least. Both speak of the placing only:
    a wrong match, a bent fragment or a scan out of scale is not covered.

How it is found
    1. Scan noise is alike over several spacings, so pairs of points are not
       independent. The residuals' own correlation over distance, up to five
       spacings, gives the covariance of the least squares' right side
       (`equations.correlated_scores`); taking the pairs for independent would
       understate the error about threefold.
    2. What no noise model knows (rims, chips, uneven wear) shows when one patch
       of the face after the other is left out (`equations.patch_scores`). Both
       covariances are added: either alone covered too little.
    3. Noise in the normals looks like relief. The information matrix is made of
       one scan's normals times the other's, whose noise is independent
       (`equations.crossed_information`), so a flat face claims no hold it lacks.
    4. A layer may be missing between worn faces. Its thickness is weighed
       against none at all (`layers`), and what remains open is a spread of the
       pose along the motion that the layer causes.
    5. Poses are drawn from all this; of each, the largest displacement over the
       fragment's hull is taken, and of these the 95 % quantile (`bounds`). The
       worst point's own sigma times 1.96 would be too small.
    Several fragments: the joint covariance of the whole adjustment, so that
    loops of joints help and chains add up.

Sources
    JCGM 100:2008 (the statement); Censi 2007 (closed-form covariance of iterative
    closest point); Bonnabel, Barczyk and Goulette 2016 (valid for point to plane);
    Brossard, Bonnabel and Barrau 2020 (its optimism). Where a constant comes from
    this program's own trials, the constant says so.
"""
