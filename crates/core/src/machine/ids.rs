//! How many of everything there can be, and the numbers that axes go by.

/// Most axes: two arms of seven.
pub const AXES_MAX: usize = 14;
/// Most arms.
pub const ARMS_MAX: usize = 2;
/// Most joints in one arm.
pub const JOINTS_MAX: usize = 7;
/// Most levers that move a tip: forward, left, up, pitch, roll, yaw.
pub const TIP_LEVERS_MAX: usize = 6;
/// Most keep-out zones.
pub const ZONES_MAX: usize = 8;
/// Levers (each way of a stick, rockers, rollers) that a hand-control frame carries.
pub const LEVERS_MAX: usize = 16;

/// The number of an axis, always below [`AXES_MAX`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[cfg_attr(feature = "serde", serde(into = "u8", try_from = "u8"))]
pub struct AxisId(u8);

impl AxisId {
    /// Axis number `index`; none beyond the capacity.
    pub const fn new(index: usize) -> Option<Self> {
        // Below `AXES_MAX` it fits.
        #[allow(clippy::cast_possible_truncation)]
        if index < AXES_MAX {
            Some(Self(index as u8))
        } else {
            None
        }
    }

    /// The number.
    pub const fn index(self) -> usize {
        self.0 as usize
    }

    /// All numbers, in order.
    pub fn all() -> impl Iterator<Item = Self> {
        (0..AXES_MAX).filter_map(Self::new)
    }
}

impl From<AxisId> for u8 {
    fn from(id: AxisId) -> Self {
        id.0
    }
}

impl TryFrom<u8> for AxisId {
    type Error = NoSuchAxis;

    fn try_from(number: u8) -> Result<Self, NoSuchAxis> {
        Self::new(usize::from(number)).ok_or(NoSuchAxis)
    }
}

/// A number that is no axis', being beyond the capacity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NoSuchAxis;

impl core::fmt::Display for NoSuchAxis {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "an axis number from 0 to {} is wanted", AXES_MAX - 1)
    }
}

impl core::error::Error for NoSuchAxis {}

/// One value for every axis the core has room for.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct PerAxis<T>([T; AXES_MAX]);

impl<T: Copy> PerAxis<T> {
    /// The same value everywhere.
    pub const fn all(value: T) -> Self {
        Self([value; AXES_MAX])
    }

    /// The value of an axis.
    pub fn get(&self, id: AxisId) -> T {
        // The fallback is never taken: an `AxisId` is below `AXES_MAX` by construction. It is what keeps this free of panics.
        *self.0.get(id.index()).unwrap_or(&self.0[0])
    }

    /// Sets the value of an axis.
    pub fn set(&mut self, id: AxisId, value: T) {
        if let Some(place) = self.0.get_mut(id.index()) {
            *place = value;
        }
    }

    /// All values, in the order of the axes.
    pub fn iter(&self) -> impl Iterator<Item = (AxisId, T)> + '_ {
        AxisId::all().zip(self.0.iter().copied())
    }

    /// All values for changing, in the order of the axes.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = (AxisId, &mut T)> {
        AxisId::all().zip(self.0.iter_mut())
    }
}

impl<T: Copy + Default> Default for PerAxis<T> {
    fn default() -> Self {
        Self::all(T::default())
    }
}
