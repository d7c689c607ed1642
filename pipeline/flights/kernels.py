"""The inner loops over fine pixels, compiled: everything here releases the lock, so that threads run side by side."""

from __future__ import annotations

import numpy as np
from numba import njit

WEIGHT, TOTAL, SQUARES = range(3)
"""Layers of the sums: covered area, area times value, area times squared value; areas in cells."""

NO_WEIGHT = 1e-9
"""A neighbour with less than this share of a value is left out: rounding of a place on a pixel's centre."""


# Compiled code is kept beside this file and is made anew when the file changes.
@njit(nogil=True, cache=True)
def fill_voids(values, other) -> None:
    """Fill missing values (NaN) from another array, in place.

    `values` and `other` have the same shape.
    """
    for row in range(values.shape[0]):
        for column in range(values.shape[1]):
            if values[row, column] != values[row, column]:
                values[row, column] = other[row, column]


@njit(nogil=True, cache=True)
def add_aligned(values, limits, rows, columns, sums):
    """Add a window of aligned pixels to the cells' sums.

    Aligned pixels lie along the grid's axes.

    Each row of cells is first added up vertically into one line of pixel columns. The processor takes several columns
    at a time in this loop. The line is then added up horizontally.

    Parameters
    ----------
    values : (rows, columns), metres, NaN where there is no data.
    limits : least and most value to be used.
    rows, columns : overlaps as (pixel, cell, weight); pixels counted from the window's first, cells from the sums' first.
    sums : (3, cell rows, cell columns), added to.

    Returns
    -------
    (pixels with data, pixels used).
    """
    row_pixel, row_cell, row_weight = rows
    least, most = limits
    width = values.shape[1]
    line = np.zeros((3, width))
    seen = 0
    used = 0
    for entry in range(row_pixel.size):
        row = row_pixel[entry]
        weight = row_weight[entry]
        first = entry == 0 or row_pixel[entry - 1] != row
        for column in range(width):
            value = np.float64(values[row, column])
            within = (value >= least) & (value <= most)
            part = weight if within else 0.0
            part_value = part * value if within else 0.0
            line[WEIGHT, column] += part
            line[TOTAL, column] += part_value
            line[SQUARES, column] += part_value * value if within else 0.0
        if first:
            for column in range(width):
                value = values[row, column]
                there = value == value
                seen += there
                used += there & (value >= least) & (value <= most)
        if entry == row_pixel.size - 1 or row_cell[entry + 1] != row_cell[entry]:
            _add_line(line, columns, sums[:, row_cell[entry], :])
            line[:] = 0.0
    return seen, used


@njit(nogil=True, cache=True)
def _add_line(line, columns, cells):
    """Add a line of pixel columns to its cells.

    `line` has the shape (3, columns), and `cells` has the shape (3, cell columns).
    """
    column_pixel, column_cell, column_weight = columns
    for entry in range(column_pixel.size):
        pixel = column_pixel[entry]
        cell = column_cell[entry]
        weight = column_weight[entry]
        cells[WEIGHT, cell] += weight * line[WEIGHT, pixel]
        cells[TOTAL, cell] += weight * line[TOTAL, pixel]
        cells[SQUARES, cell] += weight * line[SQUARES, pixel]


@njit(nogil=True, cache=True)
def add_warped(values, limits, positions, parts, sums):
    """Add one window of pixels that lie anyhow to the sums of its cells.

    Each part of a pixel is taken as an upright rectangle of the pixel part's own area about its own centre.

    Parameters
    ----------
    values : (rows, columns), metres, NaN where there is no data.
    limits : least and most value to be used.
    positions : (node rows, node columns, columns and rows of cells (nr, nc, 2), counted from the sums' first cell).
    parts : parts per side into which each pixel is divided.
    sums : (3, cell rows, cell columns), added to.

    Returns
    -------
    (pixels with data, pixels used), each counted once for every row of its parts that lies on the grid.
    """
    node_rows, node_columns, at = positions
    seen = 0
    used = 0
    for i in range(node_rows.size - 1):
        for j in range(node_columns.size - 1):
            piece = (node_rows[i], node_rows[i + 1], node_columns[j], node_columns[j + 1])
            piece_seen, piece_used = _add_piece(values, limits, (piece, at[i : i + 2, j : j + 2]), parts, sums)
            seen += piece_seen
            used += piece_used
    return seen, used


@njit(nogil=True, cache=True)
def _add_piece(values, limits, piece_at, parts, sums):
    """Add the pixels between four nodes to the cells' sums.

    `piece_at` is ((top, bottom, left, right), positions (2, 2, 2)).
    """
    (top, bottom, left, right), at = piece_at
    least, most = limits
    cell_rows = sums.shape[1]
    cell_columns = sums.shape[2]
    step = 1.0 / parts
    # Cell widths that one part of a pixel takes along each axis, in the middle of the piece.
    across_u = (at[0, 1, 0] - at[0, 0, 0] + at[1, 1, 0] - at[1, 0, 0]) / 2 / (right - left) * step
    across_v = (at[0, 1, 1] - at[0, 0, 1] + at[1, 1, 1] - at[1, 0, 1]) / 2 / (right - left) * step
    down_u = (at[1, 0, 0] - at[0, 0, 0] + at[1, 1, 0] - at[0, 1, 0]) / 2 / (bottom - top) * step
    down_v = (at[1, 0, 1] - at[0, 0, 1] + at[1, 1, 1] - at[0, 1, 1]) / 2 / (bottom - top) * step
    area = abs(across_u * down_v - across_v * down_u)
    half_u = np.hypot(across_u, down_u) / 2
    half_v = np.hypot(across_v, down_v) / 2
    # The rectangle keeps the part's area, so that nothing is counted twice and nothing lost.
    shrink = np.sqrt(area / (4 * half_u * half_v))
    half_u *= shrink
    half_v *= shrink
    seen = 0
    used = 0
    for row in range(top, bottom):
        for part_row in range(parts):
            down = (row - top + (part_row + 0.5) * step) / (bottom - top)
            u = at[0, 0, 0] + (at[1, 0, 0] - at[0, 0, 0]) * down
            v = at[0, 0, 1] + (at[1, 0, 1] - at[0, 0, 1]) * down
            along_u = (at[0, 1, 0] + (at[1, 1, 0] - at[0, 1, 0]) * down - u) / (right - left) * step
            along_v = (at[0, 1, 1] + (at[1, 1, 1] - at[0, 1, 1]) * down - v) / (right - left) * step
            column = left
            while column < right:
                centre_u = u + along_u * ((column - left) * parts + 0.5)
                centre_v = v + along_v * ((column - left) * parts + 0.5)
                cell_column = int(np.floor(centre_u))
                cell_row = int(np.floor(centre_v))
                on = cell_column >= 0 and cell_column < cell_columns and cell_row >= 0 and cell_row < cell_rows
                run = 0
                if on:
                    # How many whole pixels from here on lie wholly in this cell: they are added up without a look
                    # at where they are.
                    steps = min(
                        _steps_within(centre_u - cell_column, along_u, half_u),
                        _steps_within(centre_v - cell_row, along_v, half_v),
                    )
                    run = min(int((steps + 1) // parts), right - column)
                if run > 0:
                    weight = 0
                    total = 0.0
                    squares = 0.0
                    for k in range(column, column + run):
                        value = np.float64(values[row, k])
                        there = value == value
                        within = there & (value >= least) & (value <= most)
                        taken = value if within else 0.0
                        seen += there
                        weight += within
                        total += taken
                        squares += taken * taken
                    used += weight
                    sums[WEIGHT, cell_row, cell_column] += weight * area * parts
                    sums[TOTAL, cell_row, cell_column] += total * area * parts
                    sums[SQUARES, cell_row, cell_column] += squares * area * parts
                    column += run
                    continue
                value = np.float64(values[row, column])
                there = value == value
                within = there & (value >= least) & (value <= most)
                if there:
                    touched = False
                    for part_column in range(parts):
                        low_u = centre_u + along_u * part_column - half_u
                        low_v = centre_v + along_v * part_column - half_v
                        high_u = low_u + 2 * half_u
                        high_v = low_v + 2 * half_v
                        for i in range(max(int(np.floor(low_v)), 0), min(int(np.floor(high_v)), cell_rows - 1) + 1):
                            tall = min(high_v, i + 1.0) - max(low_v, float(i))
                            for j in range(
                                max(int(np.floor(low_u)), 0), min(int(np.floor(high_u)), cell_columns - 1) + 1
                            ):
                                touched = True
                                if within:
                                    weight = tall * (min(high_u, j + 1.0) - max(low_u, float(j)))
                                    sums[WEIGHT, i, j] += weight
                                    sums[TOTAL, i, j] += weight * value
                                    sums[SQUARES, i, j] += weight * value * value
                    seen += touched
                    used += touched & within
                column += 1
    return seen, used


@njit(nogil=True, cache=True)
def _steps_within(position, along, half):
    """Return how many steps a rectangle stays within its cell.

    It is -1 where the rectangle reaches beyond the cell now. `position` is where its centre stands in the cell, 0 to 1.
    `along` is its move in one step, and `half` is half its width.
    """
    if position < half or position > 1 - half:
        return -1
    room = 1 - half - position if along > 0 else position - half
    return int(min(room / abs(along), 1e6)) if along != 0 else 1000000


@njit(nogil=True, cache=True)
def between(values, columns, rows, out) -> None:
    """Fill `out` with a raster's values between its pixel centres.

    They are made by cubic convolution, and by bilinear interpolation beside voids and edges. With a = -1/2 cubic
    convolution reproduces curved ground to third order (Keys 1981, IEEE Trans. ASSP 29, 1153-1160). Bilinear values cut
    every crest and fill every hollow, which on rough terrain is taken for a shift.

    Parameters
    ----------
    values : (rows, columns), metres, NaN where there is no data.
    columns, rows : places, shaped as `out`, in pixels from the first pixel's outer corner (its centre is at 0.5).
    out : filled, metres, NaN where missing.
    """
    weight_x, weight_y = np.empty(4), np.empty(4)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            x, y = columns[i, j] - 0.5, rows[i, j] - 0.5
            left, top = int(np.floor(x)), int(np.floor(y))
            out[i, j] = _at_position(values, (top, left), (y - top, x - left), (weight_y, weight_x))


@njit(nogil=True, cache=True)
def less_between(near, values, columns, rows, signed, out) -> None:
    """Fill `out` with one raster less another: near - values.

    The other raster's values are taken between its pixel centres, as `between` does.

    The positions must have columns that depend on the column alone and rows that depend on the row alone. Four rows are
    first added up into one line, then four positions of the line for each column: eight products instead of sixteen.
    Where columns step by whole pixels, the processor takes several at a time.

    Parameters
    ----------
    near : (rows, columns), metres, NaN where there is no data.
    values : the other raster, metres, NaN where there is no data.
    columns, rows : (columns of `near`,), rising, and (rows of `near`,), in pixels from the first outer corner of `values`.
    signed : (sign, lift): the difference is multiplied by the one, and the other, metres, taken off.
    out : filled, shaped as `near`, metres, NaN where either is missing.
    """
    sign, lift = signed
    height, width = values.shape
    lefts, nearest = np.empty(columns.size, np.int64), np.empty(columns.size, np.int64)
    shares = np.empty(columns.size)
    weights = np.empty((4, columns.size))
    weight_x, weight_y = np.empty(4), np.empty(4)
    even = True
    for j in range(columns.size):
        lefts[j], nearest[j] = int(np.floor(columns[j] - 0.5)), int(np.floor(columns[j]))
        shares[j] = columns[j] - 0.5 - lefts[j]
        _cubic_weights(shares[j], weight_x)
        # One by one, here and below: an array or tuple put into a slice takes two seconds to compile, for the words of its error alone.
        for k in range(4):
            weights[k, j] = weight_x[k]
        even &= (lefts[j] == lefts[0] + j) & (abs(shares[j] - shares[0]) < SAME_SHARE)
    # Between these columns all four neighbours lie in the raster.
    first = 0
    while first < columns.size and lefts[first] < 1:
        first += 1
    last = columns.size
    while last > first and lefts[last - 1] + 2 >= width:
        last -= 1
    line = np.empty(width)
    for i in range(rows.size):
        top = int(np.floor(rows[i] - 0.5))
        share = rows[i] - 0.5 - top
        line_out = out[i]
        line_out[:] = np.nan
        if top >= 1 and top + 2 < height and last > first:
            _cubic_weights(share, weight_y)
            a, b, c, d = weight_y[0], weight_y[1], weight_y[2], weight_y[3]
            # Slices counted from nought: an index that might be negative keeps the processor from taking several at a time.
            start, stop = lefts[first] - 1, lefts[last - 1] + 3
            above, upper = values[top - 1, start:stop], values[top, start:stop]
            lower, below = values[top + 1, start:stop], values[top + 2, start:stop]
            part = line[start:stop]
            for k in range(stop - start):
                part[k] = a * above[k] + b * upper[k] + c * lower[k] + d * below[k]
            if even:
                a, b, c, d = weights[0, 0], weights[1, 0], weights[2, 0], weights[3, 0]
                n = last - first
                into, taken = line_out[first:last], near[i, first:last]
                for k in range(n):
                    value = a * part[k] + b * part[k + 1] + c * part[k + 2] + d * part[k + 3]
                    into[k] = sign * (taken[k] - value) - lift
            else:
                for j in range(first, last):
                    k = lefts[j]
                    value = weights[0, j] * line[k - 1] + weights[1, j] * line[k]
                    value += weights[2, j] * line[k + 1] + weights[3, j] * line[k + 2]
                    line_out[j] = sign * (near[i, j] - value) - lift
        # Beside voids and edges a neighbour is missing that may have no weight, or the bilinear value may do. Where the
        # nearest pixel is missing neither rule has a value: inside voids, which can be large, nothing is added up.
        row = int(np.floor(rows[i]))
        if row < 0 or row >= height:
            continue
        # Counted first, several at a time: in most rows nothing is missing but what the near raster lacks itself.
        missing = 0
        for j in range(columns.size):
            missing += (line_out[j] != line_out[j]) & (near[i, j] == near[i, j])
        if missing == 0:
            continue
        for j in range(columns.size):
            if line_out[j] == line_out[j] or near[i, j] != near[i, j]:
                continue
            column = nearest[j]
            if column >= 0 and column < width and values[row, column] == values[row, column]:
                value = _at_position(values, (top, lefts[j]), (share, shares[j]), (weight_y, weight_x))
                line_out[j] = sign * (near[i, j] - value) - lift


SAME_SHARE = 1e-6
"""Columns whose shares of a pixel differ by less are evenly spaced: a millionth of a pixel on a slope of 45 degrees is
some micrometres."""


@njit(nogil=True, cache=True)
def _at_position(values, corner, share, weights):
    """Return the value at a position.

    `corner` is (row, column) of the pixel above it and to its left. `share` is how far the position lies beyond that
    pixel's centre, downward and to the right, in pixels. `weights` are two arrays of four values to work in.

    The value is bilinear where the cubic one is missing.
    """
    weight_y, weight_x = weights
    first = (corner[0] - 1, corner[1] - 1)
    _cubic_weights(share[1], weight_x)
    _cubic_weights(share[0], weight_y)
    total = _weighted(values, first, weight_y, weight_x)
    if total != total:
        for weight, beyond in ((weight_x, share[1]), (weight_y, share[0])):
            weight[0], weight[1], weight[2], weight[3] = 0.0, 1.0 - beyond, beyond, 0.0
        total = _weighted(values, first, weight_y, weight_x)
    return total


@njit(nogil=True, cache=True)
def _cubic_weights(share, weights):
    """Fill the weights of the four pixels around a position.

    The position lies `share` of a pixel beyond the second one.
    """
    weights[0] = -0.5 * share + share**2 - 0.5 * share**3
    weights[1] = 1.0 - 2.5 * share**2 + 1.5 * share**3
    weights[2] = 0.5 * share + 2.0 * share**2 - 1.5 * share**3
    weights[3] = -0.5 * share**2 + 0.5 * share**3


@njit(nogil=True, cache=True)
def _weighted(values, first, weight_y, weight_x):
    """Return the weighted sum of 4 x 4 pixels.

    `first` is (row, column) of the first pixel. The sum is NaN where a pixel that has a weight is missing.
    """
    height, width = values.shape
    total = 0.0
    for down in range(4):
        for across in range(4):
            weight = weight_y[down] * weight_x[across]
            # A neighbour without weight may be missing: a place on a pixel's centre needs that pixel alone.
            if abs(weight) < NO_WEIGHT:
                continue
            row, column = first[0] + down, first[1] + across
            if row < 0 or row >= height or column < 0 or column >= width:
                return np.nan
            total += weight * values[row, column]
            if total != total:
                return total
    return total
